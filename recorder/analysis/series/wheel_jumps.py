"""Where a measuring wheel slipped or slid, by the wheel alone.

A train's speed does not jump: its forces act on hundreds of tonnes and change over seconds; that of
a car does by what slack there is between it and its neighbours, and no more. Where
the shown speed falls from one reading to the next the wheel lost its grip, and where it rises by
as much it took it up again. What was shown in between is not mended by this; it is less sure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.series.filters import carried_on
from recorder.analysis.series.run_series import AT_REST_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["slipped_share"]

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
"""Of the speed: less is what the onset of a brake makes of two lines (common practice)."""
UNDONE: Final = 0.35
"""Share of a jump that its undoing may leave: both are read to a few tenths of the least."""
MOVING_M_S: Final = 2.0
"""Slower the slack makes a car jump (common practice)."""


def slipped_share(speed_m_s: NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """By which share (n,) the shown speed stands too low since a fall that no rise has undone, or
    too high since a rise (negative): until a jump undoes it, or rest; zero elsewhere.
    """
    speed = np.abs(speed_m_s)
    share = np.zeros(len(speed))
    found = _peaks(_jumps(speed, step_s), speed, step_s)
    rests = np.flatnonzero(speed < AT_REST_M_S)
    off = 0.0
    for i, (at, size) in enumerate(found):
        off -= size
        if abs(off) < UNDONE * abs(size):
            off = 0.0
        rest = rests[np.searchsorted(rests, at) :]
        end = min([len(speed), *(int(r) for r in rest[:1])])
        if i + 1 < len(found) and found[i + 1][0] < end:
            end = found[i + 1][0] + 1
            share[at:end] = off
        else:
            share[at:end], off = off, 0.0
    return share


def _jumps(speed: NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """Line through the seconds after each bin (n,) less the one before, both at that bin."""
    n = max(3, round(SIDE_S / step_s))
    gap = max(1, round(BETWEEN_S / step_s))
    out = np.full(len(speed), np.nan)
    if len(speed) < 2 * (n + gap) + 1:
        return out
    before = carried_on(speed, n, gap)
    after = carried_on(speed[::-1], n, gap)[::-1]
    # ``before[j]`` is of bins j to j + n - 1, carried on to bin j + n - 1 + gap.
    first = n - 1 + gap
    count = len(speed) - 2 * first
    out[first : first + count] = after[2 * gap + n - 1 :][:count] - before[:count]
    return out


def _peaks(
    jump: NDArray[np.float64], speed: NDArray[np.float64], step_s: float
) -> list[tuple[int, float]]:
    """Bins and shares of the speed of the jumps that stand out among their neighbours."""
    known = jump[np.isfinite(jump) & (speed > MOVING_M_S)]
    if not len(known):
        return []
    sd = normal_sd(known - np.median(known))
    share = np.where(speed > MOVING_M_S, jump / np.maximum(speed, MOVING_M_S), 0.0)
    size = np.abs(np.nan_to_num(share))
    sure = (np.abs(np.nan_to_num(jump)) > max(SURE * sd, LEAST_M_S)) & (size > LEAST_SHARE)
    apart = max(1, round(SIDE_S / step_s))
    out: list[tuple[int, float]] = []
    for k in np.flatnonzero(sure).tolist():
        near = size[max(k - apart, 0) : k + apart + 1]
        if size[k] == near.max() and _at_once(speed, k, float(jump[k]), step_s):
            out.append((k, float(share[k])))
    return out


def _at_once(speed: NDArray[np.float64], k: int, jump: float, step_s: float) -> bool:
    """Whether most of the change came between two readings: a brake that takes hold bends the
    speed over seconds, and nowhere is it steeper than it is afterwards.
    """
    n, gap = max(3, round(SIDE_S / step_s)), max(1, round(BETWEEN_S / step_s))
    sign, at = (1.0 if jump > 0.0 else -1.0), np.arange(n)
    sides = speed[k - gap - n + 1 : k - gap + 1], speed[k + gap : k + gap + n]
    steepest = max(sign * float(np.polyfit(at, side, 1)[0]) for side in sides)
    change = sign * float(speed[k + gap] - speed[k - gap])
    return change - 2 * gap * steepest > 0.5 * abs(jump)
