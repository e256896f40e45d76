"""Run files made from arrays: runs recorded elsewhere, read off paper, or built for a check."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration.files.durable import refusal, rename_new
from recorder.run.parts.block import BLOCK_DTYPE
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.gap import Gap
from recorder.run_file.hdf5.create import create_file
from recorder.run_file.hdf5.naming import check_names, raw_name
from recorder.run_file.seal.seal_file import mark_complete, seal_file

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.run.parts.event import Event
    from recorder.run.parts.header import DeviceHeader, RunHeader
    from recorder.run.parts.progress import Progress
    from recorder.run_file.hdf5.store import Store

__all__ = ["DeviceData", "write_run"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceData:
    """What one device brought."""

    time_s: NDArray[np.float64]
    """(n,) run times, never falling; steps need not be even."""
    records: NDArray[np.void] | None = None
    """(n,) in the device's layout; None: only ``tick``, made from the times."""
    values: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    """By channel without a field: (n,) in the channel's unit, NaN where there is none."""
    flags: Mapping[str, NDArray[np.uint8]] = field(default_factory=dict)
    """By channel without a field: (n,) bits of ``flags``; 0 when left out."""


def write_run(
    path: Path | str,
    header: RunHeader,
    devices: Mapping[str, DeviceData],
    *,
    marks: Sequence[Mark] = (),
    events: Sequence[Event | Gap] = (),
    progress: Progress | None = None,
) -> None:
    """Write a sealed run file from arrays.

    Channels with a field are calibrated from the records as in any run; channels without one
    take their values as given, with the uncertainty stated in their header. The file appears
    under its name only when it is whole.

    Raises
    ------
    FileExistsError
        There is something at ``path``: a run is never overwritten.
    FileNotFoundError, OSError
        There is no such folder, or it cannot be written.
    RunFileError
        The header cannot be laid out, or the arrays do not fit it.
    """
    place = Path(path)
    if place.exists():
        msg = "is there already and is never overwritten"
        raise FileExistsError(17, msg, str(place))
    if not place.absolute().parent.is_dir():
        raise FileNotFoundError(2, "no such folder; make it first", str(place.parent))
    check_names(header)
    for device in header.devices:
        _check(device, devices)
    work = place.with_name(place.name + f".making-{os.getpid()}")
    kept = [e.to_event() if isinstance(e, Gap) else e for e in events]
    try:
        with refusal(place, work):
            with create_file(work, header) as store:
                for device in header.devices:
                    _fill(store, device, devices[device.name])
            seal_file(work, marks=marks, events=kept, progress=progress, given_times=True)
            mark_complete(work)
            rename_new(work, place)
    finally:
        work.unlink(missing_ok=True)


def _check(device: DeviceHeader, devices: Mapping[str, DeviceData]) -> None:
    data = devices.get(device.name)
    if data is None:
        msg = f"device {device.name}: no data were given for it"
        raise RunFileError(msg)
    time_s = np.asarray(data.time_s)
    if time_s.ndim != 1 or not np.isfinite(time_s).all() or bool(np.any(np.diff(time_s) < 0)):
        msg = f"device {device.name}: time_s must be one finite column that never falls"
        raise RunFileError(msg)
    columns: dict[str, Any] = {**data.values, **data.flags}
    if data.records is not None:
        columns["records"] = data.records
        if data.records.dtype != device.record_dtype:
            msg = f"device {device.name}: records of {data.records.dtype} are not its header's"
            raise RunFileError(msg)
    elif device.record_dtype.names != ("tick",):
        msg = f"device {device.name}: records are needed for {device.record_dtype.names}"
        raise RunFileError(msg)
    known = {c.name for c in device.channels if not c.field}
    if unknown := (set(data.values) | set(data.flags)) - known:
        msg = (
            f"device {device.name}: values given for {', '.join(sorted(unknown))};"
            f" channels without counts are: {', '.join(sorted(known)) or 'none'}"
        )
        raise RunFileError(msg)
    for name, column in columns.items():
        if len(column) != len(time_s):
            msg = f"device {device.name}: {name} has {len(column)} rows, time_s {len(time_s)}"
            raise RunFileError(msg)


def _fill(store: Store, device: DeviceHeader, data: DeviceData) -> None:
    columns = store.columns(f"devices/{device.name}")
    time_s = np.asarray(data.time_s, dtype=np.float64)
    n = len(time_s)
    for column in columns.values():
        column.resize(n)
    if not n:
        return
    columns["time_s"].write(0, time_s)
    if data.records is None:
        ticks = np.rint((time_s - time_s[0]) * device.tick_hz).astype(np.uint64)
        columns["tick"].write(0, ticks)
        tick0, tick_last = 0, int(ticks[-1])
    else:
        for field_name in device.record_dtype.names or ():
            columns[raw_name(field_name)].write(0, data.records[field_name])
        tick0, tick_last = int(data.records["tick"][0]), int(data.records["tick"][-1])
    for channel in device.channels:
        if not channel.field:
            nothing, unflagged = np.full(n, np.nan), np.zeros(n, np.uint8)
            columns[channel.name].write(0, data.values.get(channel.name, nothing))
            columns[f"{channel.name}_flags"].write(0, data.flags.get(channel.name, unflagged))
    rows = np.zeros(1, BLOCK_DTYPE)
    rows["n"], rows["tick0"], rows["tick_last"] = n, tick0, tick_last
    rows["received_s"], rows["t0_s"] = time_s[-1], time_s[0]
    rows["s_per_tick"] = 1.0 / device.tick_hz
    store.column(f"blocks/{device.name}").append(rows)
