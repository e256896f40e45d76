"""Where a measuring wheel slipped or slid, by the wheel alone.

Where the shown speed falls from one reading to the next the wheel lost its grip, and where it rises
by as much it took it up again. What was shown in between is not mended by this; it is less sure. A
wheel that locked shows rest though the train runs on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.speed.speed_jumps import BETWEEN_S, SIDE_S, SpeedJump, speed_jumps
from recorder.analysis.series.run_series import AT_REST_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["LOCKED", "hidden_m", "jump_to_rest", "slipped_share"]

UNDONE: Final = 0.35
"""Share of a jump that its undoing may leave: both are read to a few tenths of the least."""
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
    found = speed_jumps(speed, step_s)
    rests = np.flatnonzero(speed < AT_REST_M_S)
    shown = 1.0
    for i, jump in enumerate(found):
        # A wheel that turns again after it locked is taken to show the speed.
        shown = shown * jump.after_m_s / jump.before_m_s if abs(jump.share) < LOCKED else 1.0
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


def _locked(
    speed: NDArray[np.float64], found: list[SpeedJump], step_s: float
) -> NDArray[np.bool_]:
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
