"""The one feeder of the bench, at prompt and page alike: from a driver to live counts."""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from calibration.bench.session_file import BenchError
from drivers.interface.errors import LinkLostError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.bench.live_counts import LiveCounts
    from drivers.interface.driver_interface import DeviceDriver

__all__ = ["BenchFeed", "CountsChunk"]

KEPT_CHUNKS: Final = 8192
"""Chunks kept to be drawn: a minute of a front end that sends more than a hundred a second. Where
nobody draws, and where more came, the oldest go; the session has had them."""
CLOSE_S: Final = 10.0
"""Longer than any driver's silence before a read returns."""


class CountsChunk(NamedTuple):
    """Counts of the cell as they came."""

    t_s: NDArray[np.float64]
    """(n,) on the device's clock."""
    counts: NDArray[np.float64]
    """(n,)"""


class BenchFeed:
    """A thread that reads the driver and feeds the live counts; closes the driver at the end.

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
        self._chunks: deque[CountsChunk] = deque(maxlen=KEPT_CHUNKS)
        self._came = threading.Condition()
        self._n_chunks = 0
        self._trouble = ""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bench feed", daemon=True)
        self._thread.start()

    @property
    def trouble(self) -> str:
        """Why no more counts come; empty while they do."""
        return self._trouble

    def new_counts(self) -> list[CountsChunk]:
        """What came since this was last asked, oldest first."""
        found = []
        while self._chunks:
            found.append(self._chunks.popleft())
        return found

    def wait(self, timeout_s: float) -> None:
        """Until the next counts; raises ``BenchError`` when the feed has ended or stalls."""
        with self._came:
            seen = self._n_chunks
            came = self._came.wait_for(
                lambda: self._n_chunks != seen or bool(self._trouble), timeout_s
            )
        if self._trouble:
            msg = f"the feed has ended ({self._trouble}); the session is kept: run it again"
            raise BenchError(msg)
        if not came:
            msg = (
                f"no counts for {timeout_s:g} s; the session is kept: check the port, run again"
            )
            raise BenchError(msg)

    def close(self) -> None:
        """Stop the thread and close the port."""
        self._stop.set()
        self._thread.join(timeout=CLOSE_S)
        self._driver.close()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                records = self._driver.read().records
                if len(records):
                    self._feed(records)
        except LinkLostError as lost:
            self._end(str(lost))
        except Exception as bug:
            self._end(f"{type(bug).__name__}: {bug}")
            raise

    def _feed(self, records: NDArray[np.void]) -> None:
        t_s = records["tick"].astype(np.float64) / self._driver.layout.tick_hz
        self._live.feed(t_s, records[self._channel])
        if self._reference is not None:
            self._live.feed_reference(t_s, records[self._reference])
        self._chunks.append(CountsChunk(t_s, records[self._channel].astype(np.float64)))
        with self._came:
            self._n_chunks += 1
            self._came.notify_all()

    def _end(self, why: str) -> None:
        with self._came:
            self._trouble = why
            self._came.notify_all()
