"""How long bytes may gather at a port before they are read: each read costs the same, however
much it brings. Pure.

Only the last receipt of a read ties its ticks to time. So bytes of a device that sends often are
left to gather for a while, then taken, and the next that come are waited for as ever: their receipt
is as sharp as if every frame had been read by itself, and there are still twenty a second.
"""

from __future__ import annotations

from typing import Final

__all__ = ["Gathering"]

PAUSE_S: Final = 0.035
"""With the frame that is then waited for some forty milliseconds: a pen still moves more often than
twenty times a second, and what is not yet in the ring stays well under what a commit waits."""
OFTEN_S: Final = 0.025
"""Bytes at least so often, or each read is one frame anyway (fifty frames a second have room)."""
READS: Final = 20
"""So many on end that came so often; a burst of a slow receiver is shorter."""
SHARE: Final = 0.25
"""Of the port's buffer that may be full after a pause: the rest is for when we are held up."""


class Gathering:
    """Learns from each read whether there may be a pause before the next.

    Parameters
    ----------
    full_bytes
        With so many bytes waiting, the buffer of the port is full.
    """

    def __init__(self, full_bytes: int) -> None:
        self._most_bytes = SHARE * full_bytes
        self._reads = 0
        """On end, none of which was long waited for."""
        self._bytes = 0
        """That all but the first of them brought."""
        self._since_ns = 0
        self._rate = 0.0
        """Bytes a nanosecond, from the first of them on."""

    @property
    def pause_s(self) -> float:
        """How long to let bytes gather before the next read, s; 0: look at once."""
        if self._reads < READS or self._rate * (PAUSE_S + OFTEN_S) * 1e9 > self._most_bytes:
            return 0.0
        return PAUSE_S

    def took(self, n_bytes: int, waited_ns: int, now_ns: int) -> None:
        """Note a read: its bytes, how long the last of them were waited for, and now."""
        if not n_bytes or waited_ns > OFTEN_S * 1e9 or n_bytes > self._most_bytes:
            self._reads = self._bytes = 0
            return
        if self._reads:
            self._bytes += n_bytes
            self._rate = self._bytes / max(now_ns - self._since_ns, 1)
        else:
            self._since_ns = now_ns
        self._reads += 1
