"""Where a measuring wheel slipped or slid, by the wheel alone.

A train's speed does not jump: its forces act on hundreds of tonnes and change over seconds; that of
a car does by what slack there is between it and its neighbours, and no more. Where
the shown speed falls from one reading to the next the wheel lost its grip, and where it rises by
as much it took it up again. What was shown in between is not mended by this; it is less sure. A
wheel that locked shows rest though the train runs on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.series.filters import carried_on
from recorder.analysis.series.run_series import AT_REST_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["LEAST_M_S", "LOCKED", "hidden_m", "jump_to_rest", "slipped_share"]

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


LOCKED: Final = 0.9
"""Share of the speed that a wheel must lose at once to have locked (our choice)."""
MOST_M_S2: Final = 3.0
"""No train comes to rest or starts faster: track brakes and wheels together give less (common
practice)."""


def slipped_share(speed_m_s: NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """By which share (n,) of the train's speed the shown one stands too low since a fall that no
    rise has undone, or too high since a rise (negative): until a jump undoes it, or rest; zero
    elsewhere. It is one where the wheel locked, until it turns again; where it then starts as a
    train does, the train stood just before.
    """
    speed = np.abs(speed_m_s)
    share = np.zeros(len(speed))
    found = _peaks(*_lines(speed, step_s), speed, step_s)
    rests = np.flatnonzero(speed < AT_REST_M_S)
    shown = 1.0
    for i, jump in enumerate(found):
        # A wheel that turns again after it locked is taken to show the speed.
        shown = shown * jump.after / jump.before if abs(jump.share) < LOCKED else 1.0
        if abs(1.0 - shown) < UNDONE * abs(jump.share):
            shown = 1.0
        rest = rests[np.searchsorted(rests, jump.at) :]
        end = min([len(speed), *(int(r) for r in rest[:1])])
        if i + 1 < len(found) and found[i + 1].at < end:
            end = found[i + 1].at + 1
            share[jump.at : end] = max(1.0 - shown, -1.0)
        else:
            share[jump.at : end], shown = max(1.0 - shown, -1.0), 1.0
    share[_locked(speed, found, step_s)] = 1.0
    return share


def _locked(speed: NDArray[np.float64], found: list[_Jump], step_s: float) -> NDArray[np.bool_]:
    """Bins (n,) in which the wheel shows rest and the train did not come to it: rest that was
    reached or left by a jump.
    """
    out = np.zeros(len(speed), bool)
    back, near = max(1, round(1.0 / step_s)), max(1, round(SIDE_S / step_s))
    most_m_s = MOST_M_S2 * (back + 1) * step_s
    falls = np.array([j.at for j in found if j.share >= LOCKED])
    rises = np.array([j.at for j in found if j.share <= -LOCKED])
    edges = np.flatnonzero(np.diff((speed < AT_REST_M_S).astype(np.int8), prepend=0, append=0))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        fell = speed[max(a - back, 0)] > most_m_s or bool((np.abs(falls - a) <= near).any())
        after = speed[min(b - 1 + back, len(speed) - 1)]
        rose = after > most_m_s or bool((np.abs(rises - b) <= near).any())
        # By the last bin before a start as a train's it stood; nothing is told by the end.
        stood = not rose and b < len(speed)
        if fell or rose:
            out[a : b - 1 if stood else b] = True
    return out


class _Jump(NamedTuple):
    """What the lines to either side of a bin say at that bin."""

    at: int
    before: float
    after: float

    @property
    def share(self) -> float:
        """Of the greater of the two by which the shown speed fell; negative where it rose."""
        return (self.before - self.after) / max(self.before, self.after)


def _lines(
    speed: NDArray[np.float64], step_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lines through the seconds before and after each bin (n,), carried on to that bin."""
    n = max(3, round(SIDE_S / step_s))
    gap = max(1, round(BETWEEN_S / step_s))
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
    step_s: float,
) -> list[_Jump]:
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
    apart = max(1, round(SIDE_S / step_s))
    out: list[_Jump] = []
    for k in np.flatnonzero(sure).tolist():
        near = size[max(k - apart, 0) : k + apart + 1]
        if size[k] == near.max() and _at_once(speed, k, float(jump[k]), step_s):
            out.append(_Jump(k, float(before[k]), float(after[k])))
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


def jump_to_rest(braking: NDArray[np.float64], step_s: float) -> tuple[float, float]:
    """Speed at which a train that was still braked so came to show rest at once, and its
    retardation: by a line through the seconds before it.
    """
    gap = max(1, round(BETWEEN_S / step_s))
    n = min(max(3, round(SIDE_S / step_s)), len(braking) - gap)
    if n < 2:
        retardation = float(braking[0]) / (len(braking) * step_s)
        return float(braking[0]) * (retardation > MOST_M_S2), retardation
    slope, v = np.polyfit(np.arange(-n, 0) - gap, braking[-(n + gap) : -gap], 1)
    return max(float(v), 0.0), abs(float(slope)) / step_s


def hidden_m(
    speed_m_s: NDArray[np.float64], share: NDArray[np.float64], step_s: float
) -> float:
    """Distance that slips by such shares (n,) may have hidden beside that of the shown speed."""
    hid = np.minimum(np.abs(share), LOCKED)
    return float(np.abs(speed_m_s) @ (hid / (1.0 - hid))) * step_s
