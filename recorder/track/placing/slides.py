"""Where the measuring wheel slid, spun or stood while the train ran, and the distance joined there.

Before a scale is fitted: metres that a slide hid are no wrong circumference. What is looked at is
the wheel itself, whose speed jumps as no train's does, and the receiver's speed where there is
one. What was hidden is put back by a straight line of speed over the slide, and is less sure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.speed.slip import flag_slip
from calibration.speed.speed_jumps import SpeedJump, speed_jumps
from recorder.track.placing.wheel_track import STEP_S, Break, BreakCause, WheelTrack

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["EVERY_S", "ReceiverSpeed", "Slide", "slides_of", "without_slides"]

UNDONE: Final = 0.25
"""Share of the lost grip by which its return may differ: both are read to a few tenths of the
least jump."""
LONGEST_S: Final = 60.0
"""A train's speed is a straight line for no longer; what a longer slide hid is not known (common
practice: a fitted slide protection or a driver ends one in seconds)."""
SHARE_U: Final = 0.15
"""Of what was hidden, by that line: a train gains or loses by up to 0.15 m/s² more or less over a
slide of ten seconds (from experience)."""
LEAST_U_M: Final = 1.0
"""Where a slide began and ended is seen to a tenth of a second or two (from experience)."""
NEAR_S: Final = 0.7
NEAR_BETWEEN_S: Final = 0.4
"""Lines so short, so near a jump, tell the ends of a slide of two seconds apart."""
FAR_S: Final = 3.0
"""Longer lines see a jump that the shorter have seen up to this far away."""
EVERY_S: Final = 1.0
"""Between the joins within one slide."""
HOLE_S: Final = 0.5
"""No speed is known over a longer hole in the wheel's samples."""
AROUND_S: Final = 0.5
"""From a slide's ends to where the speed is the train's again."""
LATE_S: Final = 1.5
"""A receiver's slide is seen a second at a time, and late (from experience)."""
MOVING_M_S: Final = 2.0
"""Slower, wheel and receiver tell no ratio."""
MOSTLY: Final = 0.5
"""A wheel that disagrees with the receiver for more of the time does not slide: it is wrong, or the
receiver is; the route settles that."""


@dataclass(frozen=True, slots=True)
class Slide:
    """A stretch over which the wheel did not turn as the train moved; run times."""

    t_start_s: float
    t_stop_s: float


@dataclass(frozen=True, slots=True)
class ReceiverSpeed:
    """A receiver's speed without sign, (n,) each; NaN where it told none."""

    t_s: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]


def slides_of(track: WheelTrack, receiver: ReceiverSpeed | None = None) -> list[Slide]:
    """Every slide that wheel or receiver shows, in order of time, none over another."""
    t, v = _speed(track)
    found = _by_jumps(t, v)
    if receiver is not None:
        seen = _by_receiver(t, v, receiver)
        found += [s for s in seen if not any(_meet(s, jump) for jump in found)]
    return sorted(found, key=lambda slide: slide.t_start_s)


def without_slides(track: WheelTrack, slides: Sequence[Slide]) -> WheelTrack:
    """The track with what each slide hid joined to it, a second at a time."""
    t, v = _speed(track)
    joins = [one for slide in slides for one in _joins(t, v, slide)]
    if not joins:
        return track
    breaks = tuple(sorted((*track.breaks, *joins), key=lambda one: one.t_s))
    at = np.searchsorted([one.t_s for one in joins], track.t_s, side="right")
    added = np.concatenate(([0.0], np.cumsum([one.add_m for one in joins])))
    return WheelTrack(track.t_s, track.d_m + added[at], breaks)


def _speed(track: WheelTrack) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Signed wheel speed (n,) ten times a second, at (n,) run times; NaN over holes and joins."""
    edges = np.arange(track.t_s[0], track.t_s[-1], STEP_S)
    if edges.size < 2:
        return np.zeros(0), np.zeros(0)
    v = np.diff(track.distance(edges)) / STEP_S
    holes = np.flatnonzero(np.diff(track.t_s) > HOLE_S)
    spans = [(track.t_s[i], track.t_s[i + 1]) for i in holes.tolist()]
    spans += [(b.t_s - STEP_S, b.t_s) for b in track.breaks]
    t = edges[:-1] + 0.5 * STEP_S
    for begin, end in spans:
        v[np.searchsorted(t, begin - STEP_S) : np.searchsorted(t, end + STEP_S)] = np.nan
    return t, v


def _by_jumps(t: NDArray[np.float64], v: NDArray[np.float64]) -> list[Slide]:
    """From each jump that takes the wheel off the train's speed to the one that brings it back."""
    jumps = _jumps(np.abs(v))
    out: list[Slide] = []
    i = 0
    while i < len(jumps):
        back = _back(jumps, i, v)
        if back is None:
            i += 1
            continue
        out.append(Slide(float(t[jumps[i].at]), float(t[jumps[back].at])))
        i = back + 1
    return out


def _jumps(speed: NDArray[np.float64]) -> list[SpeedJump]:
    """Sharp ones near one another, and small ones that only longer lines are sure of."""
    near = speed_jumps(speed, STEP_S, side_s=NEAR_S, between_s=NEAR_BETWEEN_S)
    far = [
        one
        for one in speed_jumps(speed, STEP_S)
        if all(abs(one.at - other.at) * STEP_S > FAR_S for other in near)
    ]
    return sorted([*near, *far])


def _back(jumps: list[SpeedJump], i: int, v: NDArray[np.float64]) -> int | None:
    """Which later jump gives back the grip that jump ``i`` took; ``None``: none does.

    A share of the train's speed, not a speed: the train goes on gaining or losing meanwhile. One
    that goes on the other way turned back; it did not slide.
    """
    first = jumps[i]
    held = max(first.after_m_s, 0.0) / max(first.before_m_s, STEP_S)
    for j in range(i + 1, len(jumps)):
        if (jumps[j].at - first.at) * STEP_S > 2.0 * LONGEST_S:
            return None
        given = max(jumps[j].before_m_s, 0.0) / max(jumps[j].after_m_s, STEP_S)
        beside = round(2.0 * AROUND_S / STEP_S)
        same = float(np.nan_to_num(v[first.at - beside] * v[jumps[j].at + beside])) > 0.0
        if same and abs(given - held) < UNDONE * abs(1.0 - held):
            return j
    return None


def _by_receiver(
    t: NDArray[np.float64], v: NDArray[np.float64], receiver: ReceiverSpeed
) -> list[Slide]:
    """Where the receiver's speed says so, after what a wrong circumference makes all along."""
    good = np.isfinite(receiver.t_s) & np.isfinite(receiver.speed_m_s)
    when, says = receiver.t_s[good], receiver.speed_m_s[good]
    if when.size < 3 or t.size == 0:
        return []
    wheel = np.interp(when, t, np.abs(v))
    fast = (says > MOVING_M_S) & np.isfinite(wheel)
    if not fast.any():
        return []
    says = says * float(np.median(wheel[fast] / says[fast]))
    rate = np.abs(np.gradient(says, np.maximum.accumulate(when + 1e-6 * np.arange(when.size))))
    off = flag_slip(wheel, rate, says) != 0
    if off.sum() > MOSTLY * fast.sum():
        return []
    edges = np.flatnonzero(np.diff(off.astype(np.int8), prepend=0, append=0))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [Slide(float(when[a]) - LATE_S, float(when[b - 1]) + LATE_S) for a, b in pairs]


def _meet(one: Slide, other: Slide) -> bool:
    return one.t_start_s <= other.t_stop_s and other.t_start_s <= one.t_stop_s


def _joins(t: NDArray[np.float64], v: NDArray[np.float64], slide: Slide) -> list[Break]:
    """What the slide hid, by a straight line from the speed before it to the speed after it."""
    ends = np.array([slide.t_start_s - AROUND_S, slide.t_stop_s + AROUND_S])
    here = (t > ends[0] - STEP_S) & (t < ends[1] + STEP_S)
    beside = [_beside(t, v, ends[0], before=True), _beside(t, v, ends[1], before=False)]
    if not here.any() or not np.isfinite(beside).all():
        return []
    hidden = (np.interp(t[here], ends, beside) - np.nan_to_num(v[here])) * STEP_S
    seconds = max(1, round((ends[1] - ends[0]) / EVERY_S))
    parts = np.array_split(hidden, seconds)
    at = np.array([x[-1] for x in np.array_split(t[here], seconds)]) + 0.5 * STEP_S
    long = slide.t_stop_s - slide.t_start_s > LONGEST_S
    u = LEAST_U_M + (1.0 if long else SHARE_U) * abs(float(hidden.sum()))
    share = u / np.sqrt(seconds)
    return [
        Break(float(when), float(part.sum()), float(share), BreakCause.SLID)
        for when, part in zip(at, parts, strict=True)
    ]


def _beside(
    t: NDArray[np.float64], v: NDArray[np.float64], end_s: float, *, before: bool
) -> float:
    """Mean speed over half a second outside of one end; NaN where it is not known."""
    low, high = (end_s - AROUND_S, end_s) if before else (end_s, end_s + AROUND_S)
    inside = v[(t > low - 0.5 * STEP_S) & (t < high + 0.5 * STEP_S)]
    inside = inside[np.isfinite(inside)]
    return float(inside.mean()) if inside.size else float("nan")
