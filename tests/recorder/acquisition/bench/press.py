"""A front end on a press of our own making."""

from __future__ import annotations

import threading

import numpy as np

from drivers.interface.driver_interface import Batch, Layout, Rest
from drivers.interface.errors import LinkLostError
from recorder.acquisition.bench.bench_feed import BenchFeed

__all__ = ["Press", "until_it_ends"]


class Press:
    """A device whose cell bears the force held; its link is lost on demand."""

    def __init__(self, *, blocks: int | None = None) -> None:
        """``blocks``: the link is lost after so many; None: when asked."""
        self.device_id = "bench cell"
        self.layout = Layout(
            dtype=np.dtype([("tick", "<u8"), ("ch0", "<i4"), ("ch1", "<i4")]), tick_hz=1000.0
        )
        self.force_kN = 0.0
        self.lost = threading.Event()
        self.closed = False
        self.bug: Exception | None = None
        self._blocks = blocks
        self._reads = 0
        self._read = threading.Condition()

    def hold(self, force_kN: float) -> None:
        """Change the force; returns once every count of the force before has been fed."""
        with self._read:
            self.force_kN = force_kN
            seen = self._reads
            # The read under way may bear the old force; the one after it comes once it is fed.
            assert self._read.wait_for(lambda: self._reads >= seen + 3, 10.0)

    def read(self) -> Batch:
        """Fifty samples, 25 times as fast as a real device: no count is dropped unread."""
        with self._read:
            self._reads += 1
            self._read.notify_all()
        if self.bug is not None:
            raise self.bug
        if self.lost.wait(0.002) or self._reads - 1 == self._blocks:
            raise LinkLostError(self.device_id, "silent for one read timeout")
        records = np.zeros(50, self.layout.dtype)
        records["tick"] = 50 * self._reads + np.arange(50)
        records["ch0"] = 1000 + round(8000 * self.force_kN)
        records["ch1"] = round(10_000 * self.force_kN)
        return Batch(records=records, received_ns=0)

    def drain(self) -> Rest:
        """Nothing waits: a read makes its samples."""
        return Rest(batches=(), cut_bytes=0)

    def close(self) -> None:
        """May be asked for once the feed is closed."""
        self.closed = True


def until_it_ends(feed: BenchFeed, timeout_s: float = 10.0) -> None:
    """Wait for counts again and again; only ``BenchError`` ends it."""
    while True:
        feed.wait(timeout_s)
