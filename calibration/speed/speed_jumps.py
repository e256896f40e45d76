"""Jumps of a measuring wheel's speed: where it lost its grip, and where it took it up again.

A train's speed does not jump: its forces act on hundreds of tonnes and change over seconds; that of
a car does by what slack there is between it and its neighbours, and no more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from calibration.speed.local_lines import carried_on
from calibration.statistics.median_scatter import normal_sd

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["BETWEEN_S", "LEAST_M_S", "SIDE_S", "SpeedJump", "speed_jumps"]

SIDE_S: Final = 2.0
"""To either side of a jump, over which the speed is a straight line."""
BETWEEN_S: Final = 0.5
"""A jump between two readings is spread over a bin that lies between them."""
SURE: Final = 6.0
"""Standard deviations of such differences elsewhere: in a day of readings chance gives none."""
LEAST_M_S: Final = 0.15
"""Slack that runs in or out makes a car jump by up to a tenth of a metre a second (drawn trains,
car by car); half as much again is no slack (our choice)."""
LEAST_SHARE: Final = 0.004
"""Of the speed: less is what the onset of a brake makes of two lines (from experience)."""
MOVING_M_S: Final = 2.0
"""Slower the slack makes a car jump (from experience)."""


class SpeedJump(NamedTuple):
    """What the lines to either side of a bin say of the speed at that bin."""

    at: int
    before_m_s: float
    after_m_s: float

    @property
    def share(self) -> float:
        """Of the greater of the two by which the shown speed fell; negative where it rose."""
        return (self.before_m_s - self.after_m_s) / max(self.before_m_s, self.after_m_s)


class _Reach(NamedTuple):
    """Bins of the line to either side of a jump, and from the jump to either line."""

    side: int
    gap: int


def speed_jumps(
    speed_m_s: NDArray[np.float64],
    step_s: float,
    *,
    side_s: float = SIDE_S,
    between_s: float = BETWEEN_S,
) -> list[SpeedJump]:
    """The jumps that stand out among their neighbours, in order of time.

    Parameters
    ----------
    speed_m_s : (n,) without sign, on an even grid; NaN: not known.
    side_s : to either side of a jump, over which the speed is a straight line: jumps nearer to
        one another are not told apart, and shorter lines are less sure.
    between_s : from a jump to either line.
    """
    reach = _Reach(max(3, round(side_s / step_s)), max(1, round(between_s / step_s)))
    return _peaks(*_lines(speed_m_s, reach), speed_m_s, reach)


def _lines(
    speed: NDArray[np.float64], reach: _Reach
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lines through the seconds before and after each bin (n,), carried on to that bin."""
    n, gap = reach
    out = np.full((2, len(speed)), np.nan)
    if len(speed) < 2 * (n + gap) + 1:
        return out[0], out[1]
    before = carried_on(speed, n, gap)
    after = carried_on(speed[::-1], n, gap)[::-1]
    # ``before[j]`` is of bins j to j + n - 1, carried on to bin j + n - 1 + gap.
    first = n - 1 + gap
    count = len(speed) - 2 * first
    out[0, first : first + count] = before[:count]
    out[1, first : first + count] = after[2 * gap + n - 1 :][:count]
    return np.maximum(out[0], 0.0), np.maximum(out[1], 0.0)


def _peaks(
    before: NDArray[np.float64],
    after: NDArray[np.float64],
    speed: NDArray[np.float64],
    reach: _Reach,
) -> list[SpeedJump]:
    """The jumps that stand out among their neighbours."""
    greater = np.fmax(before, after)
    moving = greater > MOVING_M_S
    jump = after - before
    known = jump[np.isfinite(jump) & moving]
    if not len(known):
        return []
    sd = normal_sd(known - np.median(known))
    size = np.abs(np.nan_to_num(np.where(moving, jump, 0.0)))
    sure = (size > max(SURE * sd, LEAST_M_S)) & (size > LEAST_SHARE * np.nan_to_num(greater))
    out: list[SpeedJump] = []
    for k in np.flatnonzero(sure).tolist():
        near = size[max(k - reach.side, 0) : k + reach.side + 1]
        if size[k] == near.max() and _at_once(speed, k, float(jump[k]), reach):
            out.append(SpeedJump(k, float(before[k]), float(after[k])))
    return out


def _at_once(speed: NDArray[np.float64], k: int, jump: float, reach: _Reach) -> bool:
    """Whether most of the change came between two readings: a brake that takes hold bends the
    speed over seconds, and nowhere is it steeper than it is afterwards.
    """
    n, gap = reach
    sign, at = (1.0 if jump > 0.0 else -1.0), np.arange(n)
    sides = speed[k - gap - n + 1 : k - gap + 1], speed[k + gap : k + gap + n]
    steepest = max(sign * float(np.polyfit(at, side, 1)[0]) for side in sides)
    change = sign * float(speed[k + gap] - speed[k - gap])
    return change - 2 * gap * steepest > 0.5 * abs(jump)
