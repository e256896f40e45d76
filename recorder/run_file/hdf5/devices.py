"""Devices and channels of an opened run file, read by slices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.run.parts.block import BLOCK_DTYPE
from recorder.run.parts.errors import RunFileError, UnreadableError
from recorder.run_file.hdf5.naming import raw_name

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import Any

    from numpy.typing import NDArray

    from recorder.run.parts.header import ChannelHeader, DeviceHeader
    from recorder.run.values.amended import AmendedZero
    from recorder.run_file.hdf5.store import Column, Store

__all__ = ["Channel", "Device", "read_records"]


def read_records(
    columns: Mapping[str, Column], dtype: np.dtype[Any], start: int, stop: int
) -> NDArray[np.void]:
    """(stop − start,) records put together from the columns of their device."""
    records = np.zeros(stop - start, dtype)
    for field in dtype.names or ():
        records[field] = columns[raw_name(field)].read(start, stop)
    return records


class Device:
    """One device's records and times."""

    def __init__(self, store: Store, header: DeviceHeader) -> None:
        self.header = header
        self.name = header.name
        self._path = store.path
        names = ["time_s", *(raw_name(f) for f in header.record_dtype.names or ())]
        for channel in header.channels:
            names += [channel.name, f"{channel.name}_flags"]
        self._columns = {n: _column(store, f"devices/{header.name}/{n}") for n in names}
        self._blocks = store.column(f"blocks/{header.name}")
        self._check_types()
        self._measure()
        if store.number("complete") == 1:
            self._check_rows()

    def _check_types(self) -> None:
        for field in self.header.record_dtype.names or ():
            stored = self._columns[raw_name(field)].dtype
            if stored != (stated := self.header.record_dtype[field]):
                words = f"{self.name}/{field} is {stored}, its header says {stated}"
                raise UnreadableError(self._path, words)
        values = ["time_s", *(channel.name for channel in self.header.channels)]
        flags = [f"{channel.name}_flags" for channel in self.header.channels]
        for names, kind in ((values, "f"), (flags, "u")):
            for name in names:
                if (stored := self._columns[name].dtype).kind != kind:
                    words = f"{self.name}/{name} is {stored}, no column of its kind"
                    raise UnreadableError(self._path, words)
        if self._blocks.dtype != BLOCK_DTYPE:
            words = f"the table of blocks of {self.name} is not as it should be"
            raise UnreadableError(self._path, words)

    def _check_rows(self) -> None:
        """A sealed device has the rows that its blocks brought: no column more, none less."""
        brought = self._brought()
        for name, column in self._columns.items():
            if (n := column.n) != brought:
                words = f"{self.name}/{name} has {n:,} rows, its table of blocks {brought:,}"
                raise UnreadableError(self._path, words)

    def _brought(self) -> int:
        """Records up to the end of the last block."""
        n = self._blocks.n
        last = self._blocks.read(max(n - 1, 0), n)
        return sum(int(row["first_record"]) + int(row["n"]) for row in last)

    def _measure(self) -> None:
        # Rows that no block brought are none: nobody knows when they were received.
        held = min(column.n for column in self._columns.values())
        self.n = max(min(held, self._brought()), 0)
        self.end_s = (
            float(self._columns["time_s"].read(self.n - 1, self.n)[0]) if self.n else 0.0
        )

    def refresh(self) -> None:
        """Take in what a living writer has flushed since."""
        for column in (*self._columns.values(), self._blocks):
            column.refresh()
        self._measure()

    def read(self, name: str, start: int, stop: int | None) -> NDArray[Any]:
        """Rows of one column, cut to what all columns hold."""
        low, high = self._bounds(start, stop)
        return self._columns[name].read(low, high)

    def _bounds(self, start: int, stop: int | None) -> tuple[int, int]:
        high = self.n if stop is None else min(max(stop, 0), self.n)
        return min(max(start, 0), high), high

    def time_s(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        """(stop − start,) float64 run times, s; never falling."""
        return self.read("time_s", start, stop)

    def records(self, start: int = 0, stop: int | None = None) -> NDArray[np.void]:
        """(stop − start,) raw records in the device's layout, exactly as they came."""
        low, high = self._bounds(start, stop)
        return read_records(self._columns, self.header.record_dtype, low, high)

    def blocks(self, start: int = 0, stop: int | None = None) -> NDArray[np.void]:
        """(stop − start,) of ``BLOCK_DTYPE``: receipt times and the lines of the recording."""
        return self._blocks.read(start, stop)

    def index_at(self, t_s: float) -> int:
        """Index of the first record at or after a run time; ``n`` when there is none."""
        column = self._columns["time_s"]
        low, high = 0, self.n
        while high - low > 4096:
            middle = (low + high) // 2
            if float(column.read(middle, middle + 1)[0]) < t_s:
                low = middle + 1
            else:
                high = middle
        return low + int(np.searchsorted(column.read(low, high), t_s, side="left"))


class Channel:
    """One calibrated quantity, with the counts it was made from."""

    def __init__(
        self,
        device: Device,
        header: ChannelHeader,
        amended: Callable[[], AmendedZero | None] = lambda: None,
    ) -> None:
        """``amended`` gives what a zero revised after the seal makes of the values."""
        self._device = device
        self._amended = amended
        self.header = header
        self.name = header.name
        self.quantity = header.quantity
        self.unit = header.true_unit
        self.measures = header.measures
        """Whether the values are the quantity in its SI unit, not counts."""
        self.by_receiver = header.measures and bool(header.field) and not header.certificate
        """Whether the device sends the quantity itself, as a receiver does."""
        self.device = device.name
        self.certificate = header.certificate
        self.has_counts = bool(header.field)
        self.standard_uncertainty = header.standard_uncertainty
        self.relative_uncertainty = header.relative_uncertainty

    @property
    def n(self) -> int:
        """Number of samples."""
        return self._device.n

    def time_s(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        """(stop − start,) float64 run times of the samples, s; never falling."""
        return self._device.time_s(start, stop)

    def values(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        """(stop − start,) float64 in :attr:`unit`; NaN where there is none.

        As they were sealed; made from the counts again where a zero was revised after the seal.
        """
        amended = self._amended()
        if amended is not None and self.has_counts:
            return amended.force_kN(self.counts(start, stop), self.time_s(start, stop))
        return self._device.read(self.name, start, stop).astype(np.float64, copy=False)

    def stored_values(self, start: int = 0, stop: int | None = None) -> NDArray[Any]:
        """As :meth:`values`, in the width they are stored with (f4 or f8)."""
        held = self._device.read(self.name, start, stop)
        return held if self._amended() is None else self.values(start, stop).astype(held.dtype)

    def counts(self, start: int = 0, stop: int | None = None) -> NDArray[Any]:
        """(stop − start,) as they came.

        Raises
        ------
        RunFileError
            The channel has values only.
        """
        if not self.has_counts:
            msg = f"channel {self.name}: its values came without counts"
            raise RunFileError(msg)
        return self._device.read(raw_name(self.header.field), start, stop)

    def flags(self, start: int = 0, stop: int | None = None) -> NDArray[np.uint8]:
        """(stop − start,) uint8, bits of ``calibration.quantities.flags``."""
        held = self._device.read(f"{self.name}_flags", start, stop)
        amended = self._amended()
        if amended is None or not self.has_counts:
            return held
        return amended.flags(held, self.counts(start, stop), self.values(start, stop))

    def index_at(self, t_s: float) -> int:
        """Index of the first sample at or after a run time; ``n`` when there is none."""
        return self._device.index_at(t_s)


def _column(store: Store, path: str) -> Column:
    if not store.has(path):
        raise UnreadableError(store.path, f"{path} is missing")
    return store.column(path)
