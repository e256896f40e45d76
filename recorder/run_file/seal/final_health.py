"""The health of every channel over the whole run, at the seal: flags sample by sample, episodes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from recorder.run.checks.channel_health import HealthFault
from recorder.run.checks.run_health import RunHealth
from recorder.run.checks.watches import Ended
from recorder.run.values.calibrate import parse_certificates
from recorder.run_file.hdf5.naming import raw_name

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.run.checks.channel_health import Episode
    from recorder.run.parts.header import DeviceHeader, RunHeader
    from recorder.run_file.hdf5.store import Column, Store

__all__ = ["FoundHealth", "Spikes", "find_health", "flag_health"]

CHUNK: Final = 500_000
"""Records worked on at once, of one device: bounds the memory, whatever the run's length."""


class Spikes(NamedTuple):
    """Single samples of the channels that are made of the same counts."""

    device: str
    channels: tuple[str, ...]
    records: NDArray[np.int64]
    """(k,) rising."""


class FoundHealth(NamedTuple):
    """What is not sound in a run."""

    episodes: list[Episode]
    """By when they began."""
    spikes: list[Spikes]
    records: int
    """That were looked at, of all devices."""

    def flags_of(self, channel: str, start: int, stop: int) -> NDArray[np.uint8] | np.uint8:
        """(stop − start,) bits to be set in the flags of a channel; 0 where there is none."""
        flags: NDArray[np.uint8] | None = None
        for episode in self.episodes:
            low, high = max(episode.first_record, start), min(episode.stop_record, stop)
            whole = episode.fault.flag and episode.fault is not HealthFault.SPIKING
            if whole and channel in episode.channels and low < high:
                flags = np.zeros(stop - start, np.uint8) if flags is None else flags
                flags[low - start : high - start] |= np.uint8(episode.fault.flag)
        for spikes in self.spikes:
            low, high = np.searchsorted(spikes.records, [start, stop])
            if channel in spikes.channels and low < high:
                flags = np.zeros(stop - start, np.uint8) if flags is None else flags
                flags[spikes.records[low:high] - start] |= np.uint8(HealthFault.SPIKING.flag)
        return np.uint8(0) if flags is None else flags


class _Cursor:
    """How far a device has been read."""

    def __init__(self, store: Store, device: DeviceHeader, names: list[str]) -> None:
        self.name = device.name
        self.end_s = -np.inf
        """Run time of the last record read."""
        columns = store.columns(f"devices/{device.name}")
        fields = device.record_dtype.names or ()
        self._time = columns["time_s"]
        self._columns = {n: columns[raw_name(n) if n in fields else n] for n in names}
        self._at = 0

    @property
    def n(self) -> int:
        return self._time.n

    @property
    def over(self) -> bool:
        return self._at >= self._time.n

    def read(self, health: RunHealth) -> None:
        """Hand on the next records."""
        stop = min(self._at + CHUNK, self._time.n)
        time_s = self._time.read(self._at, stop)
        columns = {name: column.read(self._at, stop) for name, column in self._columns.items()}
        health.feed(self.name, time_s, columns)
        self._at, self.end_s = stop, float(time_s[-1])
        if self.over:
            health.end(self.name)


def find_health(store: Store, header: RunHeader) -> FoundHealth:
    """Watch every channel's raw counts, and values without counts. Nothing is written: the seal
    flags what is found, and whoever proves a run finds it again.

    The devices are read side by side, the one that is furthest behind next, so that their
    seconds can be held against each other.
    """
    kept = Ended()
    health = RunHealth(header, parse_certificates(header), kept)
    cursors = [
        _Cursor(store, device, names)
        for device in header.devices
        if (names := health.columns_of(device.name))
    ]
    spikes: list[Spikes] = []
    while left := [cursor for cursor in cursors if not cursor.over]:
        min(left, key=lambda cursor: cursor.end_s).read(health)
        health.judge_whole()
        spikes.extend(Spikes(*found) for found in health.take_spikes())
    health.finish()
    spikes.extend(Spikes(*found) for found in health.take_spikes())
    records = sum(cursor.n for cursor in cursors)
    return FoundHealth(sorted(kept.episodes, key=lambda one: one.t_start_s), spikes, records)


def flag_health(store: Store, header: RunHeader) -> list[Episode]:
    """Flag what is not sound, beside values that stay as they are; the episodes by when they
    began."""
    found = find_health(store, header)
    for device in header.devices:
        columns = store.columns(f"devices/{device.name}")
        for channel in device.channels:
            _flag(columns[f"{channel.name}_flags"], found, channel.name)
    return found.episodes


def _flag(flags: Column, found: FoundHealth, channel: str) -> None:
    for start in range(0, flags.n, CHUNK):
        stop = min(start + CHUNK, flags.n)
        bits = found.flags_of(channel, start, stop)
        if np.any(bits):
            flags.write(start, flags.read(start, stop) | bits)
