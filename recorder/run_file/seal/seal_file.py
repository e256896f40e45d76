"""The seal: times refitted, values made again, overviews, full texts, digests, closing words.

The file is opened for writing once more after the recording, and never again after that.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import h5py
import numpy as np

from recorder.run.errors import RunFileError, reading
from recorder.run.gap import gaps_of
from recorder.run.overview import LEAST_BINS, BinSums, base_width, coarser
from recorder.run.timeline import Timeline, as_given, tie_ticks
from recorder.run.utc import fit_scale
from recorder.run_file.hdf5.create import LIBVER, put_text, read_header, utc_text
from recorder.run_file.seal.digests import (
    closing_line,
    dataset_digests,
    file_digest,
    read_closing_line,
)
from recorder.run_file.seal.final_values import gnss_fixes, revalue_device

if TYPE_CHECKING:
    from recorder.marks.mark import Mark
    from recorder.run.event import Event
    from recorder.run.gap import Gap
    from recorder.run.header import RunHeader

    Progress: TypeAlias = Callable[[float, str], None]

__all__ = ["PIECE", "mark_complete", "seal_file"]

PIECE = 500_000
"""Records worked on at once: bounds the memory, whatever the length of the run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    file: h5py.File
    header: RunHeader
    events: list[Event]
    gaps: list[Gap]
    progress: Progress
    given_times: bool


def seal_file(
    path: Path | str,
    *,
    marks: Sequence[Mark],
    events: Sequence[Event],
    progress: Progress | None = None,
    given_times: bool = False,
) -> None:
    """Finish a run file, all but the word ``complete`` (see :func:`mark_complete`).

    Parameters
    ----------
    marks, events
        Every revision and every event in full, gaps among them.
    progress
        Called with the part done, 0 to 1, and what is being done.
    given_times
        The times stand as they are and are not refitted (imported runs).

    Raises
    ------
    RunFileError
        Not an unsealed run file, or damaged.
    OSError
        Disk full or not writable.
    """
    place = Path(path)
    _refuse_sealed(place)
    with reading(place), h5py.File(place, "r+", libver=LIBVER) as file:
        header = read_header(file, place)
        work = _Work(
            file=file,
            header=header,
            events=list(events),
            gaps=gaps_of(events),
            progress=progress or (lambda _part, _what: None),
            given_times=given_times,
        )
        _seal(work, marks)
        file.flush()
        os.fsync(file.id.get_vfd_handle())


def _seal(work: _Work, marks: Sequence[Mark]) -> None:
    file, devices = work.file, work.header.devices
    _level(work)
    lines = _times(work)
    duration_s = _duration(work)
    _clock(work, lines, duration_s)
    for i, device in enumerate(devices):
        work.progress(0.2 + 0.3 * i / len(devices), f"values of {device.name}")
        revalue_device(file, work.header, device, lines[device.name], work.events, PIECE)
    _overviews(work)
    _full_texts(work, marks)
    file.attrs["duration_s"] = duration_s
    file.attrs["sealed_utc"] = np.bytes_(utc_text(time.time_ns()))
    work.progress(0.7, "digests")
    _put_digests(
        file, dataset_digests(file, progress=lambda p, w: work.progress(0.7 + 0.3 * p, w))
    )


def _refuse_sealed(place: Path) -> None:
    """Look before the file is opened for writing, which alone would change it."""
    with place.open("rb") as raw:
        closed = read_closing_line(raw) is not None
    with reading(place), h5py.File(place, "r") as file:
        closed = closed or int(file.attrs["complete"]) != 0 or "digests" in file
    if closed:
        msg = f"{place}: sealed already; a sealed run is never written to again"
        raise RunFileError(msg)


def mark_complete(path: Path | str) -> None:
    """Set the last word of a sealed file, and close it with a digest of all its bytes, durably.

    The digest stands behind the end of the HDF5 file, where its readers do not look.
    """
    place = Path(path)
    with reading(place), h5py.File(place, "r+", libver=LIBVER) as file:
        file.attrs["complete"] = np.uint8(1)
    with place.open("r+b") as raw:
        digest = file_digest(raw)
        raw.seek(0, os.SEEK_END)
        raw.write(closing_line(digest))
        raw.flush()
        os.fsync(raw.fileno())


def _level(work: _Work) -> None:
    """Cut every column of a device to the shortest (a killed writer leaves one append)."""
    for device in work.header.devices:
        columns = list(work.file[f"devices/{device.name}"].values())
        n = min(column.shape[0] for column in columns)
        for column in columns:
            if column.shape[0] != n:
                column.resize((n,))


def _times(work: _Work) -> dict[str, Timeline]:
    lines = {}
    told = {}
    for device in work.header.devices:
        group = work.file[f"devices/{device.name}"]
        if work.given_times:
            line = as_given(group["time_s"].shape[0])
        else:
            table = work.file[f"blocks/{device.name}"]
            blocks = table.fields(["first_record", "n", "received_s", "tick_last"])[:]
            line = tie_ticks(device, work.header, blocks, work.gaps)
            work.progress(0.0, f"times of {device.name}")
            _write_times(group, line)
        lines[device.name], told[device.name] = line, line.to_json()
    put_text(work.file, "clock/ticks", json.dumps(told), "ties of ticks to run time, JSON")
    return lines


def _write_times(group: h5py.Group, line: Timeline) -> None:
    time_s, ticks = group["time_s"], group["tick"]
    latest = -np.inf
    for start in range(0, time_s.shape[0], PIECE):
        stop = min(start + PIECE, time_s.shape[0])
        times = line.times(start, ticks[start:stop], time_s[start:stop])
        times[0] = max(times[0], latest)
        np.maximum.accumulate(times, out=times)
        latest = times[-1]
        time_s[start:stop] = times


def _duration(work: _Work) -> float:
    ends = [
        float(group["time_s"][-1])
        for group in work.file["devices"].values()
        if group["time_s"].shape[0]
    ]
    ends.extend(e.t_s for e in work.events if e.kind == "stop")
    return max((end for end in ends if np.isfinite(end)), default=0.0)


def _clock(work: _Work, lines: dict[str, Timeline], duration_s: float) -> None:
    work.progress(0.15, "UTC")
    fixes = gnss_fixes(work.file, work.header, lines)
    scale, told = fit_scale(work.header, duration_s, *fixes)
    nodes = work.file.create_dataset(
        "clock/utc", data=scale.nodes, chunks=(max(len(scale.nodes), 1),)
    )
    nodes.attrs["quantity"] = "run time, UTC and its standard uncertainty"
    nodes.attrs["units"] = "s, ns since 1970-01-01T00:00:00Z, s"
    put_text(work.file, "clock/utc_source", json.dumps(told), "where UTC comes from, JSON")


def _overviews(work: _Work) -> None:
    channels = [(d, c.name) for d in work.header.devices for c in d.channels]
    for i, (device, channel) in enumerate(channels):
        work.progress(0.5 + 0.2 * i / len(channels), f"overview of {channel}")
        group = work.file[f"devices/{device.name}"]
        _overview(work.file, group, channel)


def _overview(file: h5py.File, group: h5py.Group, channel: str) -> None:
    time_s, values, flags = group["time_s"], group[channel], group[f"{channel}_flags"]
    n = time_s.shape[0]
    if n == 0:
        return
    first_s, last_s = float(time_s[0]), float(time_s[-1])
    width_s, bins = base_width(first_s, last_s, n)
    sums = BinSums(first_s, width_s, bins)
    for start in range(0, n, PIECE):
        stop = min(start + PIECE, n)
        sums.add(time_s[start:stop], values[start:stop].astype(np.float64), flags[start:stop])
    rows = sums.rows(values.dtype)
    level = 0
    while True:
        stored = file.create_dataset(
            f"overview/{channel}/level_{level}", data=rows, chunks=(min(len(rows), 4096),)
        )
        stored.attrs["quantity"] = f"overview of {channel}"
        stored.attrs["units"] = values.attrs["units"]
        stored.attrs["t0_s"], stored.attrs["width_s"] = first_s, width_s
        if len(rows) <= LEAST_BINS:
            break
        rows, width_s, level = coarser(rows), width_s * 4, level + 1


def _full_texts(work: _Work, marks: Sequence[Mark]) -> None:
    gaps = [_in_final_time(work.file, gap) for gap in work.gaps]
    others = [event for event in work.events if event.kind != "gap"]
    put_text(
        work.file,
        "marks/json",
        _json([mark.to_dict() for mark in marks]),
        "marks, every revision, JSON",
    )
    put_text(work.file, "gaps/json", _json([asdict(gap) for gap in gaps]), "gaps, JSON")
    put_text(work.file, "events/json", _json([asdict(e) for e in others]), "events, JSON")


def _json(rows: list[dict[str, Any]]) -> str:
    return json.dumps(rows, sort_keys=True, ensure_ascii=False)


def _in_final_time(file: h5py.File, gap: Gap) -> Gap:
    """The gap between the refitted times of the records on either side of it."""
    group = file.get(f"devices/{gap.device}")
    if group is None:
        return gap
    time_s, at = group["time_s"], gap.before_record
    if not 0 < at < time_s.shape[0]:
        return gap
    return replace(gap, t_start_s=float(time_s[at - 1]), t_end_s=float(time_s[at]))


def _put_digests(file: h5py.File, digests: dict[str, dict[str, Any]]) -> None:
    text = json.dumps(digests, sort_keys=True)
    put_text(file, "digests/json", text, "SHA-256 of every dataset with its attributes, JSON")
    file.attrs["digests_sha256"] = np.bytes_(hashlib.sha256(text.encode()).hexdigest())
