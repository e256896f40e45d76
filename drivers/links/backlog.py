"""Whether bytes come faster than they are read: told once an episode. Pure."""

from __future__ import annotations

from typing import Final

from drivers.interface.driver_interface import Backlog

__all__ = ["BacklogWatch"]

BEHIND_S: Final = 2.0
"""A process that was held up for some tenths of a second has drained any buffer by then."""
LATE_S: Final = 1.0
"""So much of the link's bytes waiting is a backlog however large the buffer: no reader that keeps
up lets them lie for so long."""
RATE_S: Final = 5.0
"""The link's bytes a second are measured over so long: some bursts of a slow receiver."""
CLEARED_S: Final = 0.2
"""A reader has caught up when it has found no backlog for so long (our choice: a tenth of the time
in which it is told). One that finds little waiting for an instant, because the far end was held
up, and at once the buffer full again, has not."""
FEWEST_READS: Final = 10
"""One long hold-up leaves a full buffer too, but that is empty after a few reads."""
CAUGHT_UP_S: Final = 10.0
"""An episode ends when it has not come back for so long: on the edge it is told once, not for
ever."""


class BacklogWatch:
    """Looks at what waits at a port before each read.

    A reader that keeps up takes less and less at a read, however fast the link, until little is
    waiting; one that does not finds the port's buffer full every time, or in a large one a
    second's worth of bytes.

    Parameters
    ----------
    full_bytes
        With so many bytes waiting, the buffer of the port is full.
    now_ns
        Monotonic.
    """

    def __init__(self, full_bytes: int, now_ns: int) -> None:
        self.behind = False
        """An episode is going on."""
        self._full_bytes = self._backlog_bytes = full_bytes
        self._counted_bytes = self._counted_ns = 0
        self._looked_ns = now_ns
        self._since_ns = now_ns
        """Of the first in a run of reads that found a backlog."""
        self._clear_ns: int | None = None
        """Of the first read since the last backlog that found none."""
        self._behind_ns = 0
        self._began_ns = 0
        self._reads = 0
        self._most = 0

    def look(self, waiting_bytes: int, read_bytes: int, now_ns: int) -> Backlog | None:
        """Take in one read; the episode when it begins or is over.

        Parameters
        ----------
        waiting_bytes
            That waited before the read.
        read_bytes
            That it took.
        now_ns
            Monotonic, after it.
        """
        self._count(read_bytes, now_ns)
        if waiting_bytes < self._backlog_bytes:
            if self._clear_ns is None:
                self._clear_ns = now_ns
            return self._over(now_ns) if self.behind else None
        if not self._reads or self._was_clear(now_ns):
            self._begin(now_ns)
        self._clear_ns = None
        self._reads += 1
        self._most = max(self._most, waiting_bytes)
        if now_ns - self._since_ns < BEHIND_S * 1e9 or self._reads < FEWEST_READS:
            return None
        self._behind_ns = now_ns
        if self.behind:
            return None
        self.behind, self._began_ns = True, self._since_ns
        return self._told(over=False)

    def _count(self, read_bytes: int, now_ns: int) -> None:
        """How many bytes a second the link brings while it brings any."""
        if read_bytes:
            self._counted_bytes += read_bytes
            self._counted_ns += now_ns - self._looked_ns
        self._looked_ns = now_ns
        if self._counted_ns >= RATE_S * 1e9:
            second = round(self._counted_bytes / self._counted_ns * 1e9 * LATE_S)
            self._backlog_bytes = min(max(second, 1), self._full_bytes)
            self._counted_bytes = self._counted_ns = 0

    def _was_clear(self, now_ns: int) -> bool:
        return self._clear_ns is not None and now_ns - self._clear_ns > CLEARED_S * 1e9

    def _begin(self, now_ns: int) -> None:
        """Begin a run of reads that find a backlog, after a time without one."""
        self._since_ns = now_ns
        self._reads = 0
        if not self.behind:
            self._most = 0

    def _over(self, now_ns: int) -> Backlog | None:
        if now_ns - self._behind_ns < CAUGHT_UP_S * 1e9:
            return None
        told = self._told(over=True)
        self.behind = False
        return told

    def _told(self, *, over: bool) -> Backlog:
        lasted_s = (self._behind_ns - self._began_ns) / 1e9
        return Backlog(over=over, lasted_s=lasted_s, most_bytes=self._most)
