"""Devices and channels of an opened run file, read by slices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.run.block import BLOCK_DTYPE
from recorder.run.errors import RunFileError, reading
from recorder.run_file.hdf5.layout import raw_name
from recorder.run_file.hdf5.records import read_records

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    import h5py
    from numpy.typing import NDArray

    from recorder.run.header import ChannelHeader, DeviceHeader

__all__ = ["Channel", "Device"]


class Device:
    """One device's records and times."""

    def __init__(self, path: Path, file: h5py.File, header: DeviceHeader) -> None:
        self.header = header
        self.name = header.name
        self._path = path
        with reading(path):
            self._group = file[f"devices/{header.name}"]
            names = ["time_s", *(raw_name(f) for f in header.record_dtype.names or ())]
            for channel in header.channels:
                names += [channel.name, f"{channel.name}_flags"]
            self._columns: dict[str, h5py.Dataset] = {n: self._group[n] for n in names}
            self._blocks = file[f"blocks/{header.name}"]
            self._check_shapes()
        self._measure()

    def _check_shapes(self) -> None:
        for name, column in self._columns.items():
            if len(column.shape) != 1:
                msg = f"{self._path}: {self.name}/{name} is not one column"
                raise RunFileError(msg)
        for field in self.header.record_dtype.names or ():
            stored, stated = (
                self._columns[raw_name(field)].dtype,
                self.header.record_dtype[field],
            )
            if stored != stated:
                msg = f"{self._path}: {self.name}/{field} is {stored}, its header says {stated}"
                raise RunFileError(msg)
        if self._blocks.dtype != BLOCK_DTYPE or len(self._blocks.shape) != 1:
            msg = f"{self._path}: the table of blocks of {self.name} is not as it should be"
            raise RunFileError(msg)

    def _measure(self) -> None:
        with reading(self._path):
            self.n = min(int(c.shape[0]) for c in self._columns.values())
            self.end_s = float(self._columns["time_s"][self.n - 1]) if self.n else 0.0

    def refresh(self) -> None:
        """Take in what a living writer has flushed since."""
        for column in (*self._columns.values(), self._blocks):
            column.refresh()
        self._measure()

    def read(self, name: str, start: int, stop: int | None) -> NDArray[Any]:
        """Rows of one column, cut to what all columns hold."""
        low, high = self._bounds(start, stop)
        with reading(self._path):
            rows: NDArray[Any] = self._columns[name][low:high]
        return rows

    def _bounds(self, start: int, stop: int | None) -> tuple[int, int]:
        high = self.n if stop is None else min(max(stop, 0), self.n)
        return min(max(start, 0), high), high

    def time_s(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        """(stop − start,) float64 run times, s; never falling."""
        return self.read("time_s", start, stop)

    def records(self, start: int = 0, stop: int | None = None) -> NDArray[np.void]:
        """(stop − start,) raw records in the device's layout, exactly as they came."""
        low, high = self._bounds(start, stop)
        with reading(self._path):
            return read_records(self._group, self.header.record_dtype, low, high)

    def blocks(self, start: int = 0, stop: int | None = None) -> NDArray[np.void]:
        """(stop − start,) of ``BLOCK_DTYPE``: receipt times and the lines of the recording."""
        with reading(self._path):
            rows: NDArray[np.void] = self._blocks[start:stop]
        return rows

    def index_at(self, t_s: float) -> int:
        """Index of the first record at or after a run time; ``n`` when there is none."""
        column = self._columns["time_s"]
        low, high = 0, self.n
        with reading(self._path):
            while high - low > 4096:
                middle = (low + high) // 2
                if float(column[middle]) < t_s:
                    low = middle + 1
                else:
                    high = middle
            return low + int(np.searchsorted(column[low:high], t_s, side="left"))


class Channel:
    """One calibrated quantity, with the counts it was made from."""

    def __init__(self, device: Device, header: ChannelHeader) -> None:
        self._device = device
        self.header = header
        self.name = header.name
        self.quantity = header.quantity
        self.unit = header.unit
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
        """(stop − start,) float64 in :attr:`unit`; NaN where there is none."""
        return self._device.read(self.name, start, stop).astype(np.float64, copy=False)

    def stored_values(self, start: int = 0, stop: int | None = None) -> NDArray[Any]:
        """As :meth:`values`, in the width they are stored with (f4 or f8)."""
        return self._device.read(self.name, start, stop)

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
        return self._device.read(f"{self.name}_flags", start, stop)

    def index_at(self, t_s: float) -> int:
        """Index of the first sample at or after a run time; ``n`` when there is none."""
        return self._device.index_at(t_s)
