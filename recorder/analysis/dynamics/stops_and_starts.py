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

from recorder.analysis.dynamics.peaks import white_noise, with_noise
from recorder.analysis.dynamics.selection import stands_high
from recorder.analysis.series.marked import brake_changes
from recorder.analysis.series.run_series import AT_REST_M_S
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.wander import NoisePart

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = [
    "StartTest",
    "StopTest",
    "find_starts",
    "find_stops",
    "starting_effort",
]

ROLLING_M_S = 1.0
"""A brake application at a walking pace is no stop test."""
STARTED_M_S = 2.0
"""By then the whole train moves and the greatest pull is past; common practice."""
REST_S = 3.0
"""Shorter is a hesitation of a moving train, not a start."""
BREAKAWAY_S = 0.5
"""Before the first movement, over which the breakaway pull is the mean."""
RAN_OUT: Final = 0.25
"""Of the greatest starting pull: with less at the first movement the slack was still running
out (common practice)."""
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
class StartTest:
    """One start from rest."""

    t_start_s: float
    breakaway_pull: Measured | None
    """Pull at the instant of the first movement; ``None`` when none was seen."""
    greatest_pull: Measured
    """Highest one-second mean from half a second before moving until 2 m/s."""
    why: str = ""
    """Why no breakaway was seen."""


def find_stops(run: RunBasis) -> list[StopTest]:
    """A stop for each brake mark after which the train came to rest before a release."""
    out = []
    changes = brake_changes(run.marks)
    for i, (t_s, released) in enumerate(changes):
        if released:
            continue
        until = changes[i + 1][0] if i + 1 < len(changes) else math.inf
        stop = _stop_after(run, t_s, until)
        if stop is not None:
            out.append(stop)
    return out


def _stop_after(run: RunBasis, t_s: float, until_s: float) -> StopTest | None:
    """``t_s`` is when the mark was keyed: the brake went on the crew's reaction earlier."""
    series = run.series
    keyed = int(np.searchsorted(series.t_s, t_s))
    start = int(np.searchsorted(series.t_s, t_s - run.reaction[0]))
    speed = np.abs(series.speed_m_s[start:])
    if not len(speed) or not speed[0] > ROLLING_M_S:
        return None
    rest = np.flatnonzero(speed < AT_REST_M_S)
    if not len(rest) or series.t_s[start + rest[0]] > until_s:
        return None
    braking = speed[: rest[0]]
    if not np.isfinite(braking).all():
        return None
    late, step, wheel = run.reaction[1], series.step_s, run.instruments.wheel_cause
    rel = run.instruments.wheel_rel_u
    # Speed at the brake is read from a line through the seconds before: one bin scatters.
    v, u_v = _speed_at(run, start)
    after = np.abs(series.speed_m_s[keyed : keyed + max(2, round(2.0 / step))])
    retarding = abs(float(np.polyfit(np.arange(len(after)) * step, after, 1)[0]))
    metres, seconds = float(np.sum(braking) * step), len(braking) * step
    key = UncertaintyCause(CauseKind.KEYED_INSTANT, f"{t_s:.2f} s")
    width = UncertaintyCause(CauseKind.BIN_WIDTH)
    noise = UncertaintyCause(CauseKind.RANDOM_SPEED, extent=Extent(run.name, f"{t_s:.2f} s"))
    # Keyed later, the brake was on earlier and the speed higher, by the retardation at most.
    speed_0 = Measured(v, "m/s", {wheel: v * rel, noise: u_v, key: 0.5 * retarding * late})
    half = step / math.sqrt(12.0)
    distance = Measured(metres, "m", {wheel: metres * rel, key: v * late, width: v * half})
    duration = Measured(
        seconds, "s", {key: late, width: math.hypot(half, _rest_u_s(braking, step))}
    )
    return StopTest(
        t_start_s=t_s,
        speed=speed_0,
        distance=distance,
        duration=duration,
        retardation=speed_0.times(speed_0, "m²/s²").over(distance.scaled(2.0), "m/s²"),
    )


def _speed_at(run: RunBasis, start: int) -> tuple[float, float]:
    """Speed at a bin by a straight line through the two seconds before it, and its scatter."""
    n = max(3, round(2.0 / run.series.step_s))
    held = np.abs(run.series.speed_m_s[max(start - n, 0) : start + 1])
    if len(held) < 3 or not np.isfinite(held).all():
        return abs(float(run.series.speed_m_s[start])), 0.0
    at = np.arange(len(held)) - (len(held) - 1.0)
    line, covariance = np.polyfit(at, held, 1, cov="unscaled")
    rest = held - np.polyval(line, at)
    sd = math.sqrt(float(rest @ rest) / (len(held) - 2))
    return float(line[1]), sd * math.sqrt(float(covariance[1, 1]))


def _rest_u_s(braking: NDArray[np.float64], step_s: float) -> float:
    """Of the instant of rest: the last speed that can be seen, over the retardation there."""
    last = braking[-max(2, min(len(braking), round(2.0 / step_s))) :]
    slope = abs(float(last[-1] - last[0])) / max((len(last) - 1) * step_s, step_s)
    return AT_REST_M_S / max(slope, 1e-3) / math.sqrt(3.0)


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
    return StartTest(t_start_s=t_s, breakaway_pull=breakaway, greatest_pull=greatest, why=why)


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
    """The pull of the start that read highest, less what it is expected to stand high by having
    been picked for it; ``None`` without a start.
    """
    pulls = [s.greatest_pull for s in starts]
    top = max(pulls, key=lambda m: m.value, default=None)
    if top is None:
        return None
    # What acts in this start alone is noise among starts; calibration and zero are theirs, too.
    own = math.fsum(p * p for c, p in top.parts.items() if c.extent is not None)
    values = np.array([m.value for m in pulls])
    high, u_high = stands_high(values, 1.0, [NoisePart(own, 1.0)])
    picked = UncertaintyCause(CauseKind.RANDOM, "highest start")
    return top.shifted(-high).with_part(picked, u_high)
