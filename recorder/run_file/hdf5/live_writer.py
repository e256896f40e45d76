"""Writing a run file while it is recorded, readable by others as it grows."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from recorder.run.block import BLOCK_DTYPE, by_device, heads_of, joined, times_of
from recorder.run.calibrate import Calibrated, Calibrator
from recorder.run.errors import HDF5_ERRORS, RunFileError, WriterDeadError
from recorder.run.event import EventKind
from recorder.run.gap import Gap
from recorder.run_file.hdf5 import layout
from recorder.run_file.hdf5.create import create_file

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from types import TracebackType

    import h5py
    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.run.block import Block
    from recorder.run.event import Event
    from recorder.run.header import DeviceHeader, RunHeader

__all__ = ["LiveWriter"]


class LiveWriter:
    """The one writer of a growing run file. Used by one thread.

    After any refusal by HDF5 the handle is dead: a later write might seem to succeed and the
    file would lie. Every further call then raises :class:`WriterDeadError`.
    """

    def __init__(self, path: Path | str, header: RunHeader) -> None:
        """Create the file, lay everything out, and switch to single-writer mode.

        Raises
        ------
        FileExistsError
            There is a file already.
        RunFileError
            The header cannot be laid out.
        """
        self.path = Path(path)
        self.header = header
        self._dead: str | None = None
        self._calibrator = Calibrator(header)
        self._file: h5py.File = create_file(self.path, header)
        self._devices = {d.name: _DeviceColumns(self._file, d) for d in header.devices}
        self._tables = {
            name: self._file[f"{name}/table"] for name in ("marks", "gaps", "events")
        }
        self._file.swmr_mode = True
        if not self._file.swmr_mode:
            msg = f"{self.path}: HDF5 did not enter single-writer mode"
            raise RunFileError(msg)

    @property
    def records(self) -> dict[str, int]:
        """Records written, by device."""
        return {name: columns.n for name, columns in self._devices.items()}

    def append(self, blocks: Sequence[Block]) -> None:
        """Append blocks of any devices, each device's in order.

        Raises
        ------
        WriterDeadError
        """
        for device, held in by_device(blocks).items():
            records = joined([block.records for block in held])
            self.append_rows(device, heads_of(held), records)

    def append_rows(
        self, device: str, heads: NDArray[np.void], records: NDArray[np.void]
    ) -> None:
        """Append many blocks of one device at once.

        Parameters
        ----------
        heads : (b,) of ``HEAD_DTYPE``, in order, none of them empty
        records : (n,) of all these blocks on end

        Raises
        ------
        WriterDeadError
        """
        self._guard(partial(self._append, self._devices[device], heads, records))

    def _append(
        self, columns: _DeviceColumns, heads: NDArray[np.void], records: NDArray[np.void]
    ) -> None:
        time_s = columns.times(heads, records["tick"])
        values = self._calibrator.calibrate(columns.name, records, time_s)
        columns.append(heads, records, time_s, values)

    def add_marks(self, marks: Sequence[Mark]) -> None:
        """Append revisions of marks; words that do not fit are cut and told so."""
        rows = np.zeros(len(marks), layout.MARK_DTYPE)
        for row, mark in zip(rows, marks, strict=True):
            _fill(row, mark.to_dict())
        self._guard(lambda: _extend(self._tables["marks"], rows))

    def add_events(self, events: Sequence[Event]) -> None:
        """Append events; gaps go to their own table, zeros hold from now on."""
        gaps = [e for e in events if e.kind == EventKind.GAP]
        others = [e for e in events if e.kind != EventKind.GAP]
        for event in events:
            self._calibrator.note(event)
        gap_rows = np.zeros(len(gaps), layout.GAP_DTYPE)
        for row, event in zip(gap_rows, gaps, strict=True):
            _fill(row, asdict(Gap.from_dict(event.data)))
        event_rows = np.zeros(len(others), layout.EVENT_DTYPE)
        for row, event in zip(event_rows, others, strict=True):
            data = json.dumps(event.data, sort_keys=True, ensure_ascii=False)
            _fill(row, {"kind": event.kind, "t_s": event.t_s, "data": data})
        self._guard(lambda: _extend(self._tables["gaps"], gap_rows))
        self._guard(lambda: _extend(self._tables["events"], event_rows))

    def sync(self) -> None:
        """Flush to the operating system, then to the disk.

        Raises
        ------
        WriterDeadError
        """
        self._guard(self._sync)

    def _sync(self) -> None:
        self._file.flush()
        os.fsync(self._file.id.get_vfd_handle())

    def close(self) -> None:
        """Sync and close; may be called twice. A dead handle is left as it is."""
        if self._dead is None and self._file:
            self.sync()
            self._guard(self._file.close)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _guard(self, work: Callable[[], object]) -> None:
        if self._dead is not None:
            msg = f"{self.path}: closed after an error: {self._dead}"
            raise WriterDeadError(msg)
        try:
            work()
        except HDF5_ERRORS as error:
            self._dead = " ".join(str(error).split())[:200] or type(error).__name__
            msg = f"{self.path}: HDF5 refused a write ({self._dead}); the journal goes on"
            raise WriterDeadError(msg) from error


class _DeviceColumns:
    """The datasets of one device, and where they end."""

    def __init__(self, file: h5py.File, device: DeviceHeader) -> None:
        group = file[f"devices/{device.name}"]
        self.name = device.name
        self.n = 0
        self._time = group["time_s"]
        self._raw = {
            name: group[layout.raw_name(name)] for name in device.record_dtype.names or ()
        }
        self._values = {c.name: group[c.name] for c in device.channels}
        self._flags = {c.name: group[f"{c.name}_flags"] for c in device.channels}
        self._blocks = file[f"blocks/{device.name}"]
        self._latest_s = -np.inf

    def times(self, heads: NDArray[np.void], ticks: NDArray[np.uint64]) -> NDArray[np.float64]:
        """(n,) provisional run times: never backwards, over the seams of lines either."""
        time_s = times_of(heads, ticks)
        time_s[0] = max(time_s[0], self._latest_s)
        np.maximum.accumulate(time_s, out=time_s)
        self._latest_s = float(time_s[-1])
        return time_s

    def append(
        self,
        heads: NDArray[np.void],
        records: NDArray[np.void],
        time_s: NDArray[np.float64],
        values: Mapping[str, Calibrated],
    ) -> None:
        rows = np.zeros(len(heads), BLOCK_DTYPE)
        for name in heads.dtype.names or ():
            rows[name] = heads[name]
        ends = np.cumsum(heads["n"], dtype=np.int64)
        rows["first_record"] = self.n + ends - heads["n"]
        rows["tick_last"] = records["tick"][ends - 1]
        for name, dataset in self._raw.items():
            _extend(dataset, np.ascontiguousarray(records[name]))
        for name, dataset in self._values.items():
            numbers, flags = values.get(name) or _nothing(len(records))
            _extend(dataset, numbers.astype(dataset.dtype, copy=False))
            _extend(self._flags[name], flags)
        _extend(self._blocks, rows)
        _extend(self._time, time_s)
        self.n += len(records)


def _nothing(n: int) -> Calibrated:
    return Calibrated(np.full(n, np.nan), np.zeros(n, np.uint8))


def _extend(dataset: h5py.Dataset, rows: NDArray[Any]) -> None:
    if len(rows):
        n = dataset.shape[0]
        dataset.resize((n + len(rows),))
        dataset[n:] = rows


def _fill(row: np.void, data: dict[str, Any]) -> None:
    cut = False
    for name in row.dtype.names or ():
        if name == "cut":
            continue
        kind = row.dtype[name]
        if kind.kind == "S":
            row[name], shortened = layout.fixed(str(data[name]), kind)
            cut = cut or shortened
        else:
            row[name] = data[name]
    row["cut"] = cut
