"""Stop tests and starting tests, and the highest figures of a run.

``run`` is a :class:`RunBasis`: its series, marks and what its instruments are worth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.series.marked import brake_changes
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = [
    "Peak",
    "StartTest",
    "StopTest",
    "find_starts",
    "find_stops",
    "highest_mean",
    "starting_effort",
]

STANDING_M_S = 0.05
"""Slower is at rest; common practice with pulse wheels, which have no slower speed."""
ROLLING_M_S = 1.0
"""A brake application at a walking pace is no stop test."""
STARTED_M_S = 2.0
"""By then the whole train moves and the greatest pull is past; common practice."""
REST_S = 3.0
"""Shorter is a hesitation of a moving train, not a start."""
BREAKAWAY_S = 0.5
"""Before the first movement, over which the breakaway pull is the mean."""
REACTION_U_S = 0.2
"""Standard uncertainty of a keyed instant, s; common practice for a person at a key."""


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
    breakaway_pull: Measured
    """Mean pull over the last half second at rest before the first movement."""
    greatest_pull: Measured
    """Highest one-second mean from half a second before moving until 2 m/s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """Highest running mean of a quantity."""

    t_start_s: float
    seconds: float
    value: Measured
    speed_m_s: float


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
    series = run.series
    start = int(np.searchsorted(series.t_s, t_s))
    speed = np.abs(series.speed_m_s[start:])
    if not len(speed) or not speed[0] > ROLLING_M_S:
        return None
    rest = np.flatnonzero(speed < STANDING_M_S)
    if not len(rest) or series.t_s[start + rest[0]] > until_s:
        return None
    braking = speed[: rest[0]]
    if not np.isfinite(braking).all():
        return None
    v, seconds = float(braking[0]), len(braking) * series.step_s
    metres = float(np.sum(braking) * series.step_s)
    rel, wheel = run.instruments.wheel_rel_u, run.instruments.wheel_cause
    speed_0 = Measured(v, "m/s", {wheel: v * rel})
    keyed = UncertaintyCause(CauseKind.KEYED_INSTANT, f"{t_s:.2f} s")
    width = UncertaintyCause(CauseKind.BIN_WIDTH)
    distance = Measured(metres, "m", {wheel: metres * rel, keyed: v * REACTION_U_S})
    duration = Measured(seconds, "s", {keyed: REACTION_U_S, width: series.step_s})
    return StopTest(
        t_start_s=t_s,
        speed=speed_0,
        distance=distance,
        duration=duration,
        retardation=speed_0.times(speed_0, "m²/s²").over(distance.scaled(2.0), "m/s²"),
    )


def find_starts(run: RunBasis) -> list[StartTest]:
    """Every start from three seconds or more of rest to 2 m/s without a gap."""
    series = run.series
    speed = np.abs(series.speed_m_s)
    standing = speed < STANDING_M_S
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
        pull = series.pull_kN[b - half : end]
        if len(again) or not np.isfinite(pull).all() or end - b < 2:
            continue
        out.append(_start(run, int(b), pull, half))
    return out


def _start(run: RunBasis, begin: int, pull: NDArray[np.float64], half: int) -> StartTest:
    """``pull`` begins ``half`` bins before bin ``begin``, the first that moved."""
    series = run.series
    window = max(1, round(1.0 / series.step_s))
    means = _running_mean(pull, min(window, len(pull)))
    return StartTest(
        t_start_s=float(series.t_s[begin]),
        breakaway_pull=run.instruments.pull(float(pull[:half].mean())),
        greatest_pull=run.instruments.pull(float(means.max())),
    )


def starting_effort(starts: Sequence[StartTest]) -> Measured | None:
    """The greatest starting pull over all starts; ``None`` without a start."""
    return max((s.greatest_pull for s in starts), key=lambda m: m.value, default=None)


def highest_mean(run: RunBasis, seconds: float, unit: str) -> Peak | None:
    """Highest mean of pull (``kN``) or power (``kW``) over ``seconds`` without a gap; ``None``
    if none fits.
    """
    series = run.series
    values = series.pull_kN if unit == "kN" else series.power_kW
    window = round(seconds / series.step_s)
    if window < 1 or window > len(values):
        return None
    means = _running_mean(values, window)
    if not np.isfinite(means).any():
        return None
    k = int(np.nanargmax(means))
    value = float(means[k])
    force = float(np.mean(series.pull_kN[k : k + window]))
    speed = float(np.mean(series.speed_m_s[k : k + window]))
    instruments = run.instruments
    return Peak(
        t_start_s=float(series.t_s[k]) - series.step_s / 2,
        seconds=window * series.step_s,
        value=instruments.pull(value)
        if unit == "kN"
        else instruments.power(value, pull_kN=force, speed_m_s=speed),
        speed_m_s=speed,
    )


def _running_mean(values: NDArray[np.float64], window: int) -> NDArray[np.float64]:
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(values))))
    bad = np.concatenate(([0], np.cumsum(~np.isfinite(values))))
    means = (total[window:] - total[:-window]) / window
    return np.where(bad[window:] == bad[:-window], means, np.nan)
