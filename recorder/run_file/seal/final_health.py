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
    return FoundHealth(sorted(kept.episodes, key=lambda one: one.t_start_s), spikes)


def flag_health(store: Store, header: RunHeader) -> list[Episode]:
    """Flag what is not sound, beside values that stay as they are; the episodes by when they
    began."""
    found = find_health(store, header)
    for spikes in found.spikes:
        columns = store.columns(f"devices/{spikes.device}")
        for channel in spikes.channels:
            _flag_records(columns[f"{channel}_flags"], spikes.records)
    for episode in found.episodes:
        if episode.fault.flag and episode.fault is not HealthFault.SPIKING:
            columns = store.columns(f"devices/{episode.device}")
            for channel in episode.channels:
                _flag_stretch(columns[f"{channel}_flags"], episode)
    return found.episodes


def _flag_stretch(flags: Column, episode: Episode) -> None:
    last = min(episode.stop_record, flags.n)
    for start in range(episode.first_record, last, CHUNK):
        stop = min(start + CHUNK, last)
        flags.write(start, flags.read(start, stop) | np.uint8(episode.fault.flag))


def _flag_records(flags: Column, records: NDArray[np.int64]) -> None:
    """Some single ones (k,), rising."""
    for start in (np.unique(records // CHUNK) * CHUNK).tolist():
        stop = min(start + CHUNK, flags.n)
        here = records[(records >= start) & (records < stop)]
        held = flags.read(start, stop)
        held[here - start] |= np.uint8(HealthFault.SPIKING.flag)
        flags.write(start, held)
