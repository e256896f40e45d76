"""Stop tests and starting tests.

``run`` is a :class:`RunBasis`: its series, marks and what its instruments are worth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.interpolate import PchipInterpolator

from calibration.quantities.sentence import amount, say
from calibration.speed.local_lines import carried_on
from calibration.speed.speed_jumps import LEAST_M_S
from recorder.analysis.dynamics.peaks import picked_highest, white_noise, with_noise
from recorder.analysis.series.marked import brake_changes
from recorder.analysis.series.run_series import AT_REST_M_S
from recorder.analysis.series.wheel_jumps import LOCKED, hidden_m, jump_to_rest
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["LostStop", "StartTest", "StopTest", "find_starts", "find_stops", "starting_effort"]

ROLLING_M_S = 1.0
"""A brake application at a walking pace is no stop test."""
STARTED_M_S = 2.0
"""By then the whole train moves and the greatest pull is past; from experience."""
BEFORE_S: Final = 4.0
"""Over which the speed before a brake is a straight line: a train's resistance hardly changes in
so short a time (from experience)."""
SURELY_FREE: Final = 2.0
"""Standard uncertainties of the keyed instant before which the brake was surely off."""
LEAST_BEFORE: Final = 3
NORMAL_95: Final = 1.96
"""Standard deviations within which 95 % of a normal distribution lie."""
REST_S = 3.0
"""Shorter is a hesitation of a moving train, not a start."""
BREAKAWAY_S = 0.5
"""Before the first movement, over which the breakaway pull is the mean."""
MOST_MISSING: Final = 0.05
"""Of the distance of a stop, that a slip of the wheel may hide and it is still one (our choice)."""
RAN_OUT: Final = 0.25
"""Of the greatest starting pull: with less at the first movement the slack was still running
out (from experience)."""
MOST_BACK_S: Final = 2.0
"""A wheel that moved longer ago would have been seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopTest:
    """One marked brake application that ended at rest."""

    t_start_s: float
    speed: Measured
    distance: Measured
    duration: Measured
    retardation: Measured
    """Mean over the distance, ``v²/2s``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LostStop:
    """One marked brake application of which the wheel does not tell where it ended."""

    t_start_s: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StartTest:
    """One start from rest."""

    t_start_s: float
    breakaway_pull: Measured | None
    """Pull at the instant of the first movement; ``None`` when none was seen."""
    greatest_pull: Measured
    """Highest one-second mean from half a second before moving until 2 m/s."""
    extent: Extent
    """By which its causes know it."""
    why: str = ""
    """Why no breakaway was seen."""


def find_stops(
    run: RunBasis, braked: NDArray[np.bool_]
) -> tuple[list[StopTest], list[LostStop]]:
    """A stop for each brake mark after which the train came to rest before a release; and those
    in which the measuring wheel locked or slid so far that it does not tell the distance.

    ``braked`` (n,) are the bins in which the brake was on.
    """
    stops: list[StopTest] = []
    lost: list[LostStop] = []
    changes = brake_changes(run.marks)
    missed = _line_missed_m_s(run, braked) if changes else math.nan
    for i, (t_s, released) in enumerate(changes):
        if released:
            continue
        until = changes[i + 1][0] if i + 1 < len(changes) else math.inf
        braking = _braking(run, t_s - run.reaction[0], until)
        if braking is None:
            continue
        why = _lost(run, braking)
        if why:
            lost.append(LostStop(t_start_s=t_s, why=why))
        else:
            stops.append(_stop(run, t_s, braking, missed))
    return stops, lost


def _braking(run: RunBasis, brake_s: float, until_s: float) -> slice | None:
    """The bins from where the brake went on to where the wheel first shows rest."""
    series = run.series
    start = int(np.searchsorted(series.t_s + 0.5 * series.step_s, brake_s))
    speed = np.abs(series.speed_m_s[start:])
    rest = np.flatnonzero(speed < AT_REST_M_S)
    if not len(rest) or not speed[0] > ROLLING_M_S or not np.isfinite(speed[: rest[0]]).all():
        return None
    stop = start + int(rest[0])
    return None if series.t_s[stop] > until_s else slice(start, stop)


def _lost(run: RunBasis, braking: slice) -> str:
    """Why a stop is none: the wheel locked, or it slid too far; empty of one that is."""
    series = run.series
    speed = np.abs(series.speed_m_s[braking])
    jump, _ = jump_to_rest(speed, series.step_s)
    slipped = np.append(series.slipped, 0.0)
    if jump > ROLLING_M_S or slipped[braking.stop] >= LOCKED:
        before = np.abs(series.speed_m_s[: braking.stop][-sum(_line_bins(run)) :])
        known = before[np.isfinite(before)]
        at_m_s = max(jump, jump_to_rest(known, series.step_s)[0])
        return say("the measuring wheel locked at about ", amount(at_m_s, "m/s", 1))
    metres, missing = (
        float(speed.sum()) * series.step_s,
        hidden_m(speed, series.slipped[braking], series.step_s),
    )
    if missing <= MOST_MISSING * metres:
        return ""
    at_s = series.t_s[braking][np.flatnonzero(slipped[braking])[0]]
    slid = say(f"the measuring wheel slid from {at_s:.0f} s on: ", amount(missing, "m", 0))
    return say(slid, " beside the ", amount(metres, "m", 0), " that it shows may be missing")


def _stop(run: RunBasis, t_s: float, bins: slice, missed_m_s: float) -> StopTest:
    """``t_s`` is when the mark was keyed: the brake went on the crew's reaction earlier."""
    series, step = run.series, run.series.step_s
    brake_s, late = t_s - run.reaction[0], run.reaction[1]
    braking = np.abs(series.speed_m_s[bins])
    wheel, rel = run.instruments.wheel_cause, run.instruments.wheel_rel_u
    v, rate, u_v = _speed_at(run, brake_s, missed_m_s)
    # Of the bin in which the brake went on, what came after.
    left_s = series.t_s[bins.start] + 0.5 * step - brake_s
    metres = float(np.sum(braking[1:]) * step + braking[0] * left_s)
    seconds = (len(braking) - 1) * step + left_s
    extent = Extent(run.name, f"brake at {t_s:.2f} s")
    key = UncertaintyCause(CauseKind.KEYED_INSTANT, extent=extent)
    noise = UncertaintyCause(CauseKind.RANDOM_SPEED, extent=extent)
    width = UncertaintyCause(CauseKind.BIN_WIDTH, extent=extent)
    # With the brake on earlier the way is longer, and the speed what it was earlier.
    speed_0 = Measured(v, "m/s", {wheel: v * rel, noise: u_v, key: -rate * late})
    distance = Measured(metres, "m", {wheel: metres * rel, key: v * late})
    distance, speed_0 = _with_slip(run, bins, distance, speed_0)
    at_rest = math.hypot(step / math.sqrt(12.0), _rest_u_s(braking, step))
    duration = Measured(seconds, "s", {key: late, width: at_rest})
    return StopTest(
        t_start_s=t_s,
        speed=speed_0,
        distance=distance,
        duration=duration,
        retardation=speed_0.times(speed_0, "m²/s²").over(distance.scaled(2.0), "m/s²"),
    )


def _with_slip(
    run: RunBasis, braking: slice, distance: Measured, speed: Measured
) -> tuple[Measured, Measured]:
    """Distance and speed with what a slip of the wheel may have hidden of them."""
    part = f"stop at {run.series.t_s[braking.start]:.2f} s"
    cause = UncertaintyCause(CauseKind.SLIP, run.name, Extent(run.name, part))
    slipped = np.abs(run.series.slipped)
    before = slipped[max(braking.start - sum(_line_bins(run)), 0) : braking.start + 1]
    metres = hidden_m(run.series.speed_m_s[braking], slipped[braking], run.series.step_s)
    m_s = speed.value * float(before.max())
    return (
        distance.with_part(cause, metres) if metres > 0.0 else distance,
        speed.with_part(cause, m_s) if m_s > 0.0 else speed,
    )


def _speed_at(run: RunBasis, brake_s: float, missed_m_s: float) -> tuple[float, float, float]:
    """Speed when the brake went on, its rate of change (m/s²) until then, and the standard
    uncertainty of a line carried on.

    A line through the seconds before the brake can have been on, carried on to when it was: one
    bin scatters, and from where a brake takes hold on the speed is no longer what was braked. What
    was read just then counts as uncertainty: a throttle being closed bends the speed, too.
    """
    series, step = run.series, run.series.step_s
    n, ahead = _line_bins(run)
    last = int(np.searchsorted(series.t_s, brake_s - (ahead - 0.5) * step))
    chosen = slice(max(last - n, 0), last)
    at, held = series.t_s[chosen] - brake_s, np.abs(series.speed_m_s[chosen])
    if len(held) == n and np.isfinite(held).all() and math.isfinite(missed_m_s):
        slope, v = np.polyfit(at, held, 1)
        bent = np.nan_to_num(np.interp(brake_s, series.t_s, np.abs(series.speed_m_s)) - v)
        return float(v), float(slope), math.hypot(missed_m_s, float(bent) / math.sqrt(3.0))
    # Where the seconds before are not known it is no surer than the brake changed it.
    after = np.abs(series.speed_m_s[last + ahead :][: max(2, round(2.0 / step))])
    rate = abs(float(after[-1] - after[0])) / (max(len(after) - 1, 1) * step)
    return float(after[0]), -rate, rate * step


def _line_bins(run: RunBasis) -> tuple[int, int]:
    """Bins of the line before a brake, and from its last to the one of the brake."""
    step = run.series.step_s
    return (
        max(LEAST_BEFORE, round(BEFORE_S / step)),
        1 + math.ceil(SURELY_FREE * run.reaction[1] / step),
    )


def _line_missed_m_s(run: RunBasis, braked: NDArray[np.bool_]) -> float:
    """By how much such a line, carried on as far, missed the speed of this run where no brake
    was on, as a standard uncertainty; NaN where it was never ridden so long without one.

    Scatter, changes of grade and of throttle are all in it. The 95 % quantile is taken, not the
    mean square: a few jumps of a wheel are no scatter of all others.
    """
    n, ahead = _line_bins(run)
    speed = np.where(braked, np.nan, np.abs(run.series.speed_m_s))
    speed[~(speed > ROLLING_M_S)] = np.nan
    if len(speed) < n + ahead:
        return math.nan
    line = carried_on(speed, n, ahead)[:-ahead]
    missed = np.abs(speed[n - 1 + ahead :] - line)
    known = missed[np.isfinite(missed)]
    return float(np.quantile(known, 0.95)) / NORMAL_95 if len(known) >= n else math.nan


def _rest_u_s(braking: NDArray[np.float64], step_s: float) -> float:
    """Of the instant of rest: the last speed seen, or lost at once, over the retardation there."""
    jump, retardation = jump_to_rest(braking, step_s)
    unseen = max(AT_REST_M_S, jump if jump > LEAST_M_S else 0.0)
    return unseen / max(retardation, 1e-3) / math.sqrt(3.0)


def find_starts(run: RunBasis) -> list[StartTest]:
    """Every start from three seconds or more of rest to 2 m/s without a gap."""
    series = run.series
    speed = np.abs(series.speed_m_s)
    standing = speed < AT_REST_M_S
    edges = np.flatnonzero(np.diff(standing.astype(np.int8), prepend=0, append=0))
    least = max(1, round(REST_S / series.step_s))
    out = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if b - a < least or b >= len(series):
            continue
        ahead = np.flatnonzero(~(speed[b:] < STARTED_M_S))
        if not len(ahead) or not np.isfinite(speed[b + ahead[0]]):
            continue
        end = int(b + ahead[0])
        again = np.flatnonzero(standing[b:end])
        half = max(1, round(BREAKAWAY_S / series.step_s))
        known = np.isfinite(series.sound_pull_kN[b - half : end])
        if len(again) or not known.all() or end - b < 2:
            continue
        out.append(_start(run, int(b), end, half))
    return out


def _start(run: RunBasis, begin: int, end: int, half: int) -> StartTest:
    """From ``half`` bins before bin ``begin``, the first that moved, to bin ``end``, the first
    at 2 m/s.
    """
    t_s = float(run.series.t_s[begin])
    extent = Extent(run.name, f"start at {t_s:.1f} s")
    back_s = _unseen_s(run, begin)
    first = max(begin - half - round(back_s / run.series.step_s), 0)
    if not np.isfinite(run.series.sound_pull_kN[first:begin]).all():
        first = begin - half
    greatest = _greatest(run, slice(first, end), extent)
    breakaway, why = _breakaway(run, begin, back_s, greatest.value, extent)
    return StartTest(
        t_start_s=t_s,
        breakaway_pull=breakaway,
        greatest_pull=greatest,
        extent=extent,
        why=why,
    )


def _greatest(run: RunBasis, span: slice, extent: Extent) -> Measured:
    """Highest mean over a second from the first edge of a span to when 2 m/s was reached.

    The pull still rises by then in many a start: how well that instant is known is in the
    uncertainty, as what the mean would be with a later or an earlier one.
    """
    series, step = run.series, run.series.step_s
    to = span.stop + int(np.isfinite(series.sound_pull_kN[span.stop]))
    edges = series.t_s[span.start] + step * (np.arange(to - span.start + 1) - 0.5)
    pull = series.sound_pull_kN[span.start : to]
    # Between edges the integral follows the bins beside it: a rise within a bin is no step.
    worked = PchipInterpolator(edges, np.concatenate(([0.0], np.cumsum(pull) * step)))
    end_s, u_end_s = _reached(run, span.stop)
    seconds = min(1.0, end_s - float(edges[0]))

    def means(until_s: float) -> NDArray[np.float64]:
        first = float(edges[0]) + seconds
        ends = np.arange(max(min(until_s, float(edges[-1])), first), first - 1e-6, -step)
        return np.asarray((worked(ends) - worked(ends - seconds)) / seconds)

    held = means(end_s)
    top = float(held.max())
    later, earlier = (float(means(end_s + d).max()) for d in (u_end_s, -u_end_s))
    late = UncertaintyCause(CauseKind.BIN_WIDTH, extent=extent)
    white = white_noise(series.sound_pull_kN, step, top)
    found = with_noise(run, run.instruments.pull(top), held, seconds, white, extent)
    return found.with_part(late, 0.5 * max(later - earlier, 0.0))


def _reached(run: RunBasis, first: int) -> tuple[float, float]:
    """When 2 m/s was reached, by a straight line through the seconds before and after bin
    ``first``, the first that shows it; and its standard uncertainty, s.
    """
    series = run.series
    n = max(2, round(1.0 / series.step_s))
    at = slice(max(first - n, 0), first + n + 1)
    t, speed = series.t_s[at] - series.t_s[first], np.abs(series.speed_m_s[at])
    t, speed = t[np.isfinite(speed)], speed[np.isfinite(speed)]
    half = series.step_s / 2.0
    if len(t) < 3:
        return float(series.t_s[first]), half
    line, covariance = np.polyfit(t, speed, 1, cov="unscaled")
    rest = speed - np.polyval(line, t)
    sd = math.sqrt(float(rest @ rest) / (len(t) - 2))
    slope = float(line[0])
    if slope <= 0.0:
        return float(series.t_s[first]), half
    away = float(np.clip((STARTED_M_S - line[1]) / slope, t[0], t[-1]))
    u_m_s = math.hypot(
        sd * math.sqrt(float(np.array([away, 1.0]) @ covariance @ np.array([away, 1.0]))),
        STARTED_M_S * run.instruments.wheel_rel_u,
    )
    return float(series.t_s[first]) + away, u_m_s / slope


def _unseen_s(run: RunBasis, begin: int) -> float:
    """How long the train moved before bin ``begin``, the first that shows it: the speed is
    followed back to nothing along its first slope.
    """
    step = run.series.step_s
    ahead = max(2, round(1.0 / step))
    speed = np.abs(run.series.speed_m_s[begin : begin + ahead + 1])
    slope = float(speed[-1] - speed[0]) / (step * (len(speed) - 1)) if len(speed) > 1 else 0.0
    return min(float(speed[0]) / slope, MOST_BACK_S) if slope > 0.0 else MOST_BACK_S / 2.0


def _breakaway(
    run: RunBasis, begin: int, back_s: float, greatest_kN: float, extent: Extent
) -> tuple[Measured | None, str]:
    """Pull at the instant of the first movement, ``back_s`` before it is seen, or why there is
    none: the pull is still rising meanwhile.
    """
    series, step = run.series, run.series.step_s
    half = max(1, round(BREAKAWAY_S / step))
    moved_s = float(series.t_s[begin]) - back_s
    span = slice(max(begin - half - round(MOST_BACK_S / step), 0), begin + 1)
    t, p = series.t_s[span], series.sound_pull_kN[span]
    known = np.isfinite(p)
    if known.sum() < 2:
        return None, "the pull about the first movement is not known"
    pull = float(np.interp(moved_s, t[known], p[known]))
    if pull < RAN_OUT * greatest_kN:
        return (
            None,
            "no breakaway seen: the train moved before the pull rose, the slack ran out",
        )
    rate = float(np.max(np.abs(np.diff(p[known])), initial=0.0)) / step
    u_s = math.hypot(step / math.sqrt(3.0), 0.5 * back_s)
    found = run.instruments.pull(pull)
    return found.with_part(UncertaintyCause(CauseKind.RANDOM, extent=extent), rate * u_s), ""


def starting_effort(starts: Sequence[StartTest]) -> Measured | None:
    """The pull of the start that read highest; ``None`` without a start."""
    start = max(starts, key=lambda s: s.greatest_pull.value, default=None)
    if start is None:
        return None
    return picked_highest([s.greatest_pull for s in starts], start.extent)
