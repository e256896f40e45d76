"""When a device is silent: one rule, live, at the stop and in recovery."""

from __future__ import annotations

from collections import deque
from typing import Final

__all__ = ["QUIET_S", "REMEMBERED", "Rhythm"]

QUIET_S: Final = 1.0
"""Nothing shorter is a silence: a machine that is busy holds a process up for some tenths of a
second (from experience)."""
INTERVALS: Final = 3.0
"""Of a slow device, one record may be late and one be lost; a third is missing."""
REMEMBERED: Final = 32
"""Pauses between receipts: half a minute of a slow receiver."""
_FEWEST: Final = 5
"""Fewer pauses say nothing yet: the first may be the silence itself."""
_USUAL_SHARE: Final = 0.9
"""Nine pauses of ten are no longer than the usual one: a burst of a few records and a rest count
by the rest, and now and then a silence does not count."""


class Rhythm:
    """How often a device is heard, and so from when on it is silent.

    Parameters
    ----------
    interval_s
        Usual time between its records as it is stated, s; 0 when nothing is stated, as in a
        journal. What is observed can only make it longer.
    """

    def __init__(self, interval_s: float = 0.0) -> None:
        self.last_s: float | None = None
        """Run time when it was last heard; None before it ever was."""
        self._stated_s = interval_s
        self._pauses: deque[float] = deque(maxlen=REMEMBERED)

    def heard(self, received_s: float) -> None:
        """Records came at this run time."""
        if self.last_s is not None:
            self._pauses.append(max(received_s - self.last_s, 0.0))
        self.last_s = received_s

    @property
    def usual_s(self) -> float:
        """Usual time between two receipts, s; of few, where nothing is stated, the longest."""
        if len(self._pauses) < _FEWEST:
            return self._stated_s or max(self._pauses, default=0.0)
        held = sorted(self._pauses)
        return max(self._stated_s, held[int(_USUAL_SHARE * (len(held) - 1))])

    @property
    def quiet_after_s(self) -> float:
        """Silence longer than this is none of its usual pauses, s."""
        return max(QUIET_S, INTERVALS * self.usual_s)
