"""Stop tests and starting tests, and the highest figures of a run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.series.braking import brake_changes
from recorder.analysis.series.series import Series
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.marks.mark import Mark

__all__ = [
    "Peak",
    "Start",
    "Stop",
    "find_starts",
    "find_stops",
    "highest_mean",
    "starting_effort",
]

STANDING_M_S = 0.05
STARTED_M_S = 2.0
REACTION_U_S = 0.2
"""Standard uncertainty of a keyed instant, s; common practice for a person at a key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One marked brake application that ended at rest."""

    t_start_s: float
    speed: Measured
    distance: Measured
    duration: Measured
    retardation: Measured
    """Mean over the distance, ``v²/2s``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """One start from rest."""

    t_start_s: float
    breakaway_pull: Measured
    """Mean pull over the last half second at rest before the first movement."""
    greatest_pull: Measured
    """Highest one-second mean from half a second before moving until 2 m/s."""
    seconds_to_2_m_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """Highest running mean of a quantity."""

    t_start_s: float
    seconds: float
    value: Measured
    speed_m_s: float


def find_stops(
    series: Series, marks: Sequence[Mark], evidence: InstrumentUncertainty
) -> list[Stop]:
    """A stop for each brake mark after which the train came to rest before a release."""
    out = []
    changes = brake_changes(marks)
    for i, (t_s, released) in enumerate(changes):
        if released:
            continue
        until = changes[i + 1][0] if i + 1 < len(changes) else math.inf
        stop = _stop_after(series, t_s, until, evidence)
        if stop is not None:
            out.append(stop)
    return out


def _stop_after(
    series: Series, t_s: float, until_s: float, evidence: InstrumentUncertainty
) -> Stop | None:
    start = int(np.searchsorted(series.t_s, t_s))
    speed = np.abs(series.speed_m_s[start:])
    if not len(speed) or not speed[0] > 1.0:
        return None
    rest = np.flatnonzero(speed < STANDING_M_S)
    if not len(rest) or series.t_s[start + rest[0]] > until_s:
        return None
    piece = speed[: rest[0]]
    if not np.isfinite(piece).all():
        return None
    v, seconds = float(piece[0]), len(piece) * series.step_s
    metres = float(np.sum(piece) * series.step_s)
    rel, wheel = evidence.wheel_rel_u, evidence.wheel_cause
    speed_0 = Measured(v, "m/s", {wheel: v * rel})
    keyed = f"keyed instant {t_s:.2f} s"
    distance = Measured(metres, "m", {wheel: metres * rel, keyed: v * REACTION_U_S})
    duration = Measured(seconds, "s", {keyed: REACTION_U_S, "bin width": series.step_s})
    return Stop(
        t_start_s=t_s,
        speed=speed_0,
        distance=distance,
        duration=duration,
        retardation=speed_0.times(speed_0, "m²/s²").over(distance.scaled(2.0), "m/s²"),
    )


def find_starts(series: Series, evidence: InstrumentUncertainty) -> list[Start]:
    """Every start from three seconds or more of rest to 2 m/s without a gap."""
    speed = np.abs(series.speed_m_s)
    standing = speed < STANDING_M_S
    edges = np.flatnonzero(np.diff(standing.astype(np.int8), prepend=0, append=0))
    least = max(1, round(3.0 / series.step_s))
    out = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if b - a < least or b >= len(series):
            continue
        ahead = np.flatnonzero(~(speed[b:] < STARTED_M_S))
        if not len(ahead) or not np.isfinite(speed[b + ahead[0]]):
            continue
        end = int(b + ahead[0])
        again = np.flatnonzero(standing[b:end])
        half = max(1, round(0.5 / series.step_s))
        piece = series.pull_kN[b - half : end]
        if len(again) or not np.isfinite(piece).all() or end - b < 2:
            continue
        out.append(_start(series, int(b), end, half, evidence))
    return out


def _start(
    series: Series, begin: int, end: int, half: int, evidence: InstrumentUncertainty
) -> Start:
    before = series.pull_kN[begin - half : begin]
    window = max(1, round(1.0 / series.step_s))
    piece = series.pull_kN[begin - half : end]
    means = _running_mean(piece, min(window, len(piece)))
    return Start(
        t_start_s=float(series.t_s[begin]),
        breakaway_pull=_pull(float(before.mean()), evidence),
        greatest_pull=_pull(float(means.max()), evidence),
        seconds_to_2_m_s=(end - begin) * series.step_s,
    )


def starting_effort(starts: Sequence[Start]) -> Measured | None:
    """The greatest starting pull over all starts; ``None`` without a start."""
    return max((s.greatest_pull for s in starts), key=lambda m: m.value, default=None)


def highest_mean(
    series: Series,
    values: NDArray[np.float64],
    seconds: float,
    unit: str,
    evidence: InstrumentUncertainty,
) -> Peak | None:
    """Highest mean of pull (kN) or power (kW) over ``seconds`` without a gap; ``None`` if none
    fits.
    """
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
    if unit == "kN":
        measured = _pull(value, evidence)
    else:
        parts = {
            evidence.pull_cause: evidence.pull_u_kN(force) * abs(speed),
            evidence.zero_cause: evidence.zero_u_kN * abs(speed),
            evidence.wheel_cause: abs(value) * evidence.wheel_rel_u,
        }
        measured = Measured(value, unit, parts, {evidence.pull_cause: evidence.pull_dof})
    return Peak(
        t_start_s=float(series.t_s[k]) - series.step_s / 2,
        seconds=window * series.step_s,
        value=measured,
        speed_m_s=speed,
    )


def _running_mean(values: NDArray[np.float64], window: int) -> NDArray[np.float64]:
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(values))))
    bad = np.concatenate(([0], np.cumsum(~np.isfinite(values))))
    means = (total[window:] - total[:-window]) / window
    return np.where(bad[window:] == bad[:-window], means, np.nan)


def _pull(value: float, evidence: InstrumentUncertainty) -> Measured:
    return Measured(
        value,
        "kN",
        {
            evidence.pull_cause: evidence.pull_u_kN(value),
            evidence.zero_cause: evidence.zero_u_kN,
        },
        {evidence.pull_cause: evidence.pull_dof},
    )
