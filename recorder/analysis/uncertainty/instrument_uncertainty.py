"""What the instruments are worth: the common causes behind every figure of a run."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from recorder.analysis.series.corrections import G_M_S2, Corrected
from recorder.analysis.series.filters import effective_count
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import Train
from recorder.analysis.uncertainty.measured import Measured

__all__ = [
    "InstrumentUncertainty",
    "equivalent_pull",
    "mean_pull",
    "mean_speed",
    "trailing_resistance",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentUncertainty:
    """Standard uncertainties common to a whole run, and the names of their causes."""

    pull_u_kN: Callable[[float], float]
    """Standard uncertainty of the calibration at a force in kN."""
    pull_cause: str
    """Shared by every run that used the same certificate."""
    zero_u_kN: float
    zero_cause: str
    wheel_rel_u: float
    wheel_cause: str
    wheel_scale: float = 1.0
    """By which speed and distance of the certificate were multiplied."""
    pull_dof: float = math.inf


def mean_pull(
    series: Series, start: int, stop: int, evidence: InstrumentUncertainty, name: str
) -> Measured:
    """Mean pull of bins ``start`` to ``stop`` with calibration, zero and random parts, kN.

    The random part is the standard deviation of the bin means about a straight line in time,
    over the root of the number of effectively independent ones.
    """
    return _with_instrument(
        _mean(series.pull_kN[start:stop], "kN", f"random {name}"), series, start, stop, evidence
    )


def mean_speed(
    series: Series, start: int, stop: int, evidence: InstrumentUncertainty, name: str
) -> Measured:
    """Mean speed in m/s with the wheel's part."""
    speed = _mean(np.abs(series.speed_m_s[start:stop]), "m/s", f"speed random {name}")
    return speed.with_part(evidence.wheel_cause, speed.value * evidence.wheel_rel_u)


def equivalent_pull(
    series: Series,
    corrected: Corrected,
    start: int,
    stop: int,
    train: Train,
    evidence: InstrumentUncertainty,
    name: str,
) -> Measured:
    """Mean pull on level, straight track at constant speed, kN, with every cause."""
    own = (
        corrected.locomotive_grade_kN,
        corrected.locomotive_curve_kN,
        corrected.locomotive_acceleration_kN,
    )
    mean = _mean(corrected.equivalent_pull_kN[start:stop], "kN", f"random {name}")
    return _with_corrections(
        _with_instrument(mean, series, start, stop, evidence),
        series,
        (start, stop),
        own,
        (train.locomotive_mass_t, train.locomotive_rotary),
        train,
        ("locomotive", name, 1.0),
    )


def trailing_resistance(
    series: Series,
    corrected: Corrected,
    start: int,
    stop: int,
    train: Train,
    evidence: InstrumentUncertainty,
    name: str,
) -> Measured:
    """Mean resistance of the trailing load on level, straight track at constant speed, kN."""
    behind = (
        corrected.trailing_grade_kN,
        corrected.trailing_curve_kN,
        corrected.trailing_acceleration_kN,
    )
    mean = _mean(corrected.trailing_resistance_kN[start:stop], "kN", f"random {name}")
    return _with_corrections(
        _with_instrument(mean, series, start, stop, evidence),
        series,
        (start, stop),
        behind,
        (train.trailing_mass_t, train.trailing_rotary),
        train,
        ("trailing", name, -1.0),
    )


def _mean(
    values: np.ndarray[tuple[int], np.dtype[np.float64]], unit: str, cause: str
) -> Measured:
    good = values[np.isfinite(values)]
    if not len(good):
        return Measured(math.nan, unit)
    if len(good) < 2:
        return Measured(float(good[0]), unit, {cause: math.inf})
    # A steady drift over the stretch is what happened, not chance: it is taken off first.
    at = np.flatnonzero(np.isfinite(values))
    rest = values.copy()
    if len(good) > 3:
        rest[at] = good - np.polynomial.Polynomial.fit(at, good, 1)(at)
    n = max(effective_count(rest), 3.0)
    u = float(np.std(rest[at], ddof=2 if len(good) > 3 else 1)) / math.sqrt(n)
    return Measured(float(np.mean(good)), unit, {cause: u}, {cause: n - 2.0})


def _with_instrument(
    value: Measured, series: Series, start: int, stop: int, evidence: InstrumentUncertainty
) -> Measured:
    force = float(np.nanmean(series.pull_kN[start:stop]))
    calibrated = value.with_part(
        evidence.pull_cause, evidence.pull_u_kN(force), dof=evidence.pull_dof
    )
    return calibrated.with_part(evidence.zero_cause, evidence.zero_u_kN)


def _with_corrections(
    value: Measured,
    series: Series,
    span: tuple[int, int],
    forces: tuple[
        np.ndarray[tuple[int], np.dtype[np.float64]],
        np.ndarray[tuple[int], np.dtype[np.float64]],
        np.ndarray[tuple[int], np.dtype[np.float64]],
    ],
    body: tuple[float | None, float],
    train: Train,
    told: tuple[str, str, float],
) -> Measured:
    mass, rotary = body
    if mass is None:
        return value
    start, stop = span
    who, name, sign = told
    grade, curve, inertia = (float(np.nanmean(f[start:stop])) for f in forces)
    assumed = train.assumed
    seconds = (stop - start) * series.step_s
    # The mean acceleration of a stretch is its change of speed over its length.
    window = max(seconds / 5.0, 1.0)
    u_a = series.u_acceleration_m_s2 / window
    a = inertia / (mass * (1.0 + rotary)) if mass else 0.0
    parts = {
        f"{who} mass": sign * (grade + curve + inertia) * assumed.mass_rel,
        f"{who} rotary allowance": sign * mass * a * assumed.rotary,
        f"{who} grade {name}": mass * G_M_S2 * assumed.grade,
        f"{who} grade common": sign * mass * G_M_S2 * assumed.grade_common,
        "curve resistance constant": sign * curve * assumed.curve_rel,
        f"{who} acceleration {name}": mass * (1.0 + rotary) * u_a,
    }
    for cause, part in parts.items():
        if part != 0.0:
            value = value.with_part(cause, part)
    return value
