"""The one feeder of the bench, at prompt and page alike: from a driver to live counts."""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from calibration.bench.bench_reading import BenchError
from drivers.interface.errors import DriverError, LinkLostError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from calibration.bench.live_counts import LiveCounts
    from drivers.interface.driver_interface import DeviceDriver

__all__ = ["BenchFeed", "CountsChunk"]

KEPT_CHUNKS: Final = 8192
"""Chunks kept to be drawn: a minute of a front end that sends more than a hundred a second. Where
nobody draws, and where more came, the oldest go; the session has had them."""
CLOSE_S: Final = 10.0
"""Longer than any driver's silence before a read returns."""
SILENCE_LIMIT_S: Final = 120.0
"""A pause of the counts is waited for so long before the feed is given up."""
SILENT_S: Final = 1.0
"""No counts for longer than this is a pause."""
_REOPEN_S: Final = 0.5
"""Between two attempts at a port that is gone."""


class CountsChunk(NamedTuple):
    """Counts of the cell as they came."""

    t_s: NDArray[np.float64]
    """(n,) on the device's clock."""
    counts: NDArray[np.float64]
    """(n,)"""


class BenchFeed:
    """A thread that reads the driver and feeds the live counts; closes the driver at the end.

    A pause of the counts is no end: the port is opened again by ``reopen`` (given the driver
    that lost its link) until ``limit_s`` have passed without a count. Without ``reopen`` a lost
    link ends the feed at once.

    Raises
    ------
    BenchError
        The device has no such channel; the driver is closed.
    """

    def __init__(
        self,
        driver: DeviceDriver,
        live: LiveCounts,
        *,
        channel: str,
        reference_channel: str | None = None,
        reopen: Callable[[DeviceDriver], DeviceDriver] | None = None,
        limit_s: float = SILENCE_LIMIT_S,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        channels = [name for name in driver.layout.dtype.names or () if name != "tick"]
        for name in (channel, *([reference_channel] if reference_channel else [])):
            if name not in channels:
                driver.close()
                msg = (
                    f"{driver.device_id}: there is no channel {name!r}; it has"
                    f" {', '.join(channels)}"
                )
                raise BenchError(msg)
        self._driver, self._live = driver, live
        self._channel, self._reference = channel, reference_channel
        self._reopen, self.limit_s, self._now = reopen, limit_s, now
        self._chunks: deque[CountsChunk] = deque(maxlen=KEPT_CHUNKS)
        self._came = threading.Condition()
        self._n_chunks = 0
        self._came_at = now()
        self._trouble = ""
        self._why = ""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bench feed", daemon=True)
        self._thread.start()

    @property
    def trouble(self) -> str:
        """Why no more counts come; empty while they do, and while they are waited for."""
        return self._trouble

    @property
    def pause(self) -> str:
        """That the counts pause, for how long and why, in words; empty while they come."""
        silent_s = self._now() - self._came_at
        if silent_s <= SILENT_S:
            return ""
        why = f" ({self._why})" if self._why else ""
        return f"no counts for {silent_s:.0f} s, waiting up to {self.limit_s:g} s{why}"

    def new_counts(self) -> list[CountsChunk]:
        """What came since this was last asked, oldest first."""
        found = []
        while self._chunks:
            found.append(self._chunks.popleft())
        return found

    def wait(self, timeout_s: float) -> bool:
        """Whether counts came within the time; raises ``BenchError`` when the feed has ended."""
        with self._came:
            seen = self._n_chunks
            came = self._came.wait_for(
                lambda: self._n_chunks != seen or bool(self._trouble), timeout_s
            )
        if self._trouble:
            msg = f"the feed has ended ({self._trouble}); the session is kept: run it again"
            raise BenchError(msg)
        return came

    def close(self) -> None:
        """Stop the thread and close the port."""
        self._stop.set()
        self._thread.join(timeout=CLOSE_S)
        self._driver.close()

    def _run(self) -> None:
        try:
            while not self._stop.is_set() and not self._trouble:
                self._read()
        except Exception as bug:
            self._end(f"{type(bug).__name__}: {bug}")
            raise

    def _read(self) -> None:
        try:
            records = self._driver.read().records
        except LinkLostError as lost:
            self._lost(lost)
            return
        if len(records):
            self._feed(records)
        elif self._now() - self._came_at > self.limit_s:
            self._end(f"no counts for {self.limit_s:g} s")

    def _lost(self, lost: LinkLostError) -> None:
        """Wait for the port, up to the limit."""
        self._why = str(lost)
        if self._reopen is None:
            self._end(self._why)
            return
        self._driver.close()
        while self._now() - self._came_at <= self.limit_s:
            try:
                self._driver = self._reopen(self._driver)
            except DriverError as error:
                self._why = str(error)
            else:
                return
            if self._stop.wait(_REOPEN_S):
                return
        self._end(f"no counts for {self.limit_s:g} s: {self._why}")

    def _feed(self, records: NDArray[np.void]) -> None:
        t_s = records["tick"].astype(np.float64) / self._driver.layout.tick_hz
        self._live.feed(t_s, records[self._channel])
        if self._reference is not None:
            self._live.feed_reference(t_s, records[self._reference])
        self._chunks.append(CountsChunk(t_s, records[self._channel].astype(np.float64)))
        with self._came:
            self._n_chunks += 1
            self._came_at, self._why = self._now(), ""
            self._came.notify_all()

    def _end(self, why: str) -> None:
        with self._came:
            self._trouble = why
            self._came.notify_all()
