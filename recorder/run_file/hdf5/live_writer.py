"""Writing a run file while it is recorded, readable by others as it grows."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, Self

import numpy as np

from recorder.run.parts.block import BLOCK_DTYPE, times_of
from recorder.run.parts.errors import UnreadableError, WriterDeadError
from recorder.run.parts.event import EventKind
from recorder.run.parts.gap import Gap
from recorder.run.values.calibrate import Calibrated, Calibrator
from recorder.run_file.hdf5.create import create_file
from recorder.run_file.hdf5.layout import EVENT_DTYPE, GAP_DTYPE, MARK_DTYPE
from recorder.run_file.hdf5.naming import raw_name
from recorder.run_file.hdf5.tables import fill_row

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from types import TracebackType

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.run.parts.event import Event
    from recorder.run.parts.header import DeviceHeader, RunHeader
    from recorder.run_file.hdf5.store import Store

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
        self._closed = False
        self._calibrator = Calibrator(header)
        self._store = create_file(self.path, header)
        self._devices = {d.name: _DeviceColumns(self._store, d) for d in header.devices}
        self._marks, self._gaps, self._events = (
            self._store.column(f"{name}/table") for name in ("marks", "gaps", "events")
        )
        self._store.begin_growing()

    @property
    def records(self) -> dict[str, int]:
        """Records written, by device."""
        return {name: columns.n for name, columns in self._devices.items()}

    def append(self, device: str, heads: NDArray[np.void], records: NDArray[np.void]) -> None:
        """Append many blocks of one device at once.

        Parameters
        ----------
        heads : (b,) of ``HEAD_DTYPE``, in order, none of them empty
        records : (n,) of all these blocks on end

        Raises
        ------
        WriterDeadError
        """
        columns = self._devices[device]
        time_s = columns.times(heads, records["tick"])
        values = self._calibrator.calibrate(device, records, time_s)
        self._guard(partial(columns.append, heads, records, time_s, values))

    def add_marks(self, marks: Sequence[Mark]) -> None:
        """Append revisions of marks; words that do not fit are cut, and the row says so."""
        rows = np.zeros(len(marks), MARK_DTYPE)
        for row, mark in zip(rows, marks, strict=True):
            fill_row(row, mark.to_dict())
        self._guard(partial(self._marks.append, rows))

    def add_events(self, events: Sequence[Event]) -> None:
        """Append events; gaps go to their own table, zeros hold from now on."""
        gaps = [e for e in events if e.kind == EventKind.GAP]
        others = [e for e in events if e.kind != EventKind.GAP]
        for event in events:
            self._calibrator.note(event)
        gap_rows = np.zeros(len(gaps), GAP_DTYPE)
        for row, event in zip(gap_rows, gaps, strict=True):
            fill_row(row, asdict(Gap.from_dict(event.data)))
        event_rows = np.zeros(len(others), EVENT_DTYPE)
        for row, event in zip(event_rows, others, strict=True):
            data = json.dumps(event.data, sort_keys=True, ensure_ascii=False)
            fill_row(row, {"kind": event.kind, "t_s": event.t_s, "data": data})
        self._guard(partial(self._gaps.append, gap_rows))
        self._guard(partial(self._events.append, event_rows))

    def sync(self) -> None:
        """Flush to the operating system, then to the disk.

        Raises
        ------
        WriterDeadError
        """
        self._guard(self._store.sync)

    def close(self) -> None:
        """Sync and close; may be called twice. A dead handle is left as it is."""
        if self._dead is None and not self._closed:
            self.sync()
            self._guard(self._store.close)
            self._closed = True

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
        except UnreadableError as error:
            self._die(error.words, error)
        except OSError as error:
            self._die(str(error.strerror or error), error)

    def _die(self, words: str, error: Exception) -> NoReturn:
        self._dead = words
        msg = f"{self.path}: HDF5 refused a write ({words}); the journal goes on"
        raise WriterDeadError(msg) from error


class _DeviceColumns:
    """The columns of one device, and where they end."""

    def __init__(self, store: Store, device: DeviceHeader) -> None:
        columns = store.columns(f"devices/{device.name}")
        self.n = 0
        self._time = columns["time_s"]
        self._raw = {name: columns[raw_name(name)] for name in device.record_dtype.names or ()}
        self._values = {c.name: columns[c.name] for c in device.channels}
        self._flags = {c.name: columns[f"{c.name}_flags"] for c in device.channels}
        self._blocks = store.column(f"blocks/{device.name}")
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
        for name, column in self._raw.items():
            column.append(records[name])
        for name, column in self._values.items():
            numbers, flags = values.get(name) or _nothing(len(records))
            column.append(numbers)
            self._flags[name].append(flags)
        self._blocks.append(rows)
        self._time.append(time_s)
        self.n += len(records)


def _nothing(n: int) -> Calibrated:
    return Calibrated(np.full(n, np.nan), np.zeros(n, np.uint8))
