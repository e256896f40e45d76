"""Collecting the counts of some channels over a stretch of run time, beside what is recorded."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.field.mean_counts import MeanCounts, mean_counts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.acquisition.devices.device_thread import DeviceThread

__all__ = ["GRACE_S", "Collection", "CountsCollector"]

GRACE_S: Final = 1.5
"""How long after the end of a stretch what was there meanwhile may still be on its way: a receiver
speaks once a second."""


class CountsCollector:
    """Collects the counts of some fields of one device; a tap of its thread."""

    def __init__(self, fields: Iterable[str], start_s: float, stop_s: float) -> None:
        self.done = threading.Event()
        """Set when a record after the stretch has come."""
        self._start_s = start_s
        self._stop_s = stop_s
        self._times: list[NDArray[np.float64]] = []
        self._counts: dict[str, list[NDArray[np.float64]]] = {field: [] for field in fields}

    def see(self, records: NDArray[np.void], time_s: NDArray[np.float64]) -> None:
        """Take what lies in the stretch."""
        if self.done.is_set():
            return
        inside = (time_s >= self._start_s) & (time_s < self._stop_s)
        if inside.any():
            self._times.append(time_s[inside])
            for field, held in self._counts.items():
                held.append(records[field][inside].astype(np.float64))
        if len(time_s) and time_s[-1] >= self._stop_s:
            self.done.set()

    def mean(self, field: str) -> MeanCounts | None:
        """The mean of a field over the stretch; None when nothing came."""
        if not self._times:
            return None
        counts = np.concatenate(self._counts[field])
        return mean_counts(np.concatenate(self._times), counts, self._start_s, self._stop_s)


class Collection:
    """Collectors on several devices at once, over the same stretch of run time."""

    def __init__(
        self, channels: Iterable[tuple[DeviceThread, str]], start_s: float, stop_s: float
    ) -> None:
        """Begin to collect; ``channels`` are devices with a field of their records each."""
        fields: dict[str, list[str]] = {}
        self._threads: dict[str, DeviceThread] = {}
        for thread, field in channels:
            self._threads[thread.name] = thread
            fields.setdefault(thread.name, []).append(field)
        self.start_s = start_s
        self.stop_s = stop_s
        self._collectors = {
            name: CountsCollector(held, start_s, stop_s) for name, held in fields.items()
        }
        for name, thread in self._threads.items():
            thread.add_tap(self._collectors[name])

    def finish(self) -> None:
        """Wait until every device has passed the end, or has had time to."""
        for name, thread in self._threads.items():
            left_s = self.stop_s + GRACE_S - thread.now_s()
            thread.wait_for(self._collectors[name].done, max(left_s, 0.0))
            thread.remove_tap(self._collectors[name])

    def mean(self, device: str, field: str) -> MeanCounts | None:
        """The mean of a field over the stretch; None when nothing came."""
        return self._collectors[device].mean(field)
