"""The computer's clock over a run, as a witness of UTC: its last level, its drift, its steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["STEP_S", "ComputerLine", "computer_line"]

STEP_S: Final = 0.1
"""Between two readings a second apart: more is a step, not a slew (from experience)."""
DRIFT_SPAN_S: Final = 60.0
MOST_STEPS: Final = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class ComputerLine:
    """UTC by the computer's clock: a straight line through the readings after its last step."""

    origin_ns: int
    offset_s: float
    rate: float
    steps: tuple[tuple[float, float], ...] = ()
    """(run time, s): it was stepped by so much."""

    def utc_ns(self, t_s: ArrayLike) -> NDArray[np.int64]:
        """UTC in nanoseconds since 1970 at (...) run times, s."""
        t = np.asarray(t_s, np.float64)
        away_ns = np.rint(t * 1e9 + (self.offset_s + self.rate * t) * 1e9)
        return np.asarray(self.origin_ns + away_ns.astype(np.int64))


def computer_line(t_s: NDArray[np.float64], utc_ns: NDArray[np.int64]) -> ComputerLine | None:
    """The line of (c,) readings at (c,) rising run times; None without any.

    A clock that was stepped was wrong before: only what came after its last step counts.
    """
    if not len(t_s):
        return None
    origin = int(utc_ns[-1]) - round(float(t_s[-1]) * 1e9)
    offset_s = ((utc_ns - origin) - np.rint(t_s * 1e9).astype(np.int64)).astype(np.float64)
    offset_s = offset_s / 1e9
    change = np.diff(offset_s)
    at = np.flatnonzero(np.abs(change) > STEP_S)
    last = int(at[-1]) + 1 if len(at) else 0
    t, offset = t_s[last:], offset_s[last:]
    rate = 0.0
    if t[-1] - t[0] > DRIFT_SPAN_S:
        rate = float(np.polynomial.Polynomial.fit(t, offset, 1).convert().coef[-1])
    return ComputerLine(
        origin_ns=origin,
        offset_s=float(np.median(offset - rate * t)),
        rate=rate,
        steps=tuple((float(t_s[i + 1]), float(change[i])) for i in at[:MOST_STEPS]),
    )
