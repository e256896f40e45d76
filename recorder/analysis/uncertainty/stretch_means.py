"""Means over a stretch of a run, with every cause of their uncertainty."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from recorder.analysis.series.filters import effective_count, mean_known
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["ACCELERATION_WINDOW_S", "corrected_pull", "mean_pull", "mean_speed", "with_slip"]

ACCELERATION_WINDOW_S: Final = 5.0
"""What the uncertainty of an acceleration is stated for: over a longer stretch the mean
acceleration is its change of speed over its length."""


def mean_pull(run: RunBasis, span: slice, extent: Extent) -> Measured:
    """Mean pull of some bins with calibration, zero and random parts, kN.

    The random part is the standard deviation of the bin means about a straight line in time,
    over the root of the number of effectively independent ones.
    """
    random = UncertaintyCause(CauseKind.RANDOM, extent=extent)
    return _with_instruments(_mean(run.series.pull_kN[span], "kN", random), run, span)


def mean_speed(run: RunBasis, span: slice, extent: Extent) -> Measured:
    """Mean speed of some bins in m/s, whichever way, with the wheel's part and its slip's."""
    random = UncertaintyCause(CauseKind.RANDOM_SPEED, extent=extent)
    speed = _mean(np.abs(run.series.speed_m_s[span]), "m/s", random)
    instruments = run.instruments
    speed = speed.with_part(instruments.wheel_cause, speed.value * instruments.wheel_rel_u)
    return with_slip(speed, run, span, 1.0)


def with_slip(value: Measured, run: RunBasis, span: slice, per_m_s: float) -> Measured:
    """A figure of some bins with what a slip of the wheel may have hidden of their mean speed;
    ``per_m_s`` is how it goes with that speed.
    """
    hidden = mean_known(np.abs(run.series.speed_m_s[span]) * run.series.slipped[span])
    if not abs(hidden) > 0.0:
        return value
    return value.with_part(UncertaintyCause(CauseKind.SLIP, run.name), per_m_s * hidden)


def corrected_pull(run: RunBasis, span: slice, extent: Extent, side: Side) -> Measured:
    """Mean over some bins on level, straight track at constant speed, kN, with every cause:
    the equivalent pull of the locomotive, or the resistance of the trailing load.
    """
    random = UncertaintyCause(CauseKind.RANDOM, extent=extent)
    mean = _mean(run.corrected.pull_kN(side)[span], "kN", random)
    if not math.isfinite(mean.value):
        return mean
    return _with_corrections(_with_instruments(mean, run, span), run, span, extent, side)


def _mean(values: NDArray[np.float64], unit: str, random: UncertaintyCause) -> Measured:
    good = values[np.isfinite(values)]
    if not len(good):
        return Measured(math.nan, unit)
    if len(good) < 2:
        return Measured(float(good[0]), unit, {random: math.inf})
    # A steady drift over the stretch is what happened, not chance: it is taken off first.
    at = np.flatnonzero(np.isfinite(values))
    rest = values.copy()
    if len(good) > 3:
        rest[at] = good - np.polynomial.Polynomial.fit(at, good, 1)(at)
    n = max(effective_count(rest), 3.0)
    u = float(np.std(rest[at], ddof=2 if len(good) > 3 else 1)) / math.sqrt(n)
    return Measured(float(np.mean(good)), unit, {random: u}, {random: n - 2.0})


def _with_instruments(value: Measured, run: RunBasis, span: slice) -> Measured:
    return run.instruments.with_pull(value, mean_known(run.series.pull_kN[span]))


def _with_corrections(
    value: Measured, run: RunBasis, span: slice, extent: Extent, side: Side
) -> Measured:
    vehicles, assumed = run.train.vehicles(side), run.train.assumed
    mass = vehicles.mass_t
    if mass is None:
        return value
    # What the locomotive spends on itself is added to the reading, the trailing load's taken
    # off: an error of mass or grade moves the two figures opposite ways.
    sign = 1.0 if side is Side.LOCOMOTIVE else -1.0
    forces = run.corrected.forces(side)
    grade, curve, inertia = (
        mean_known(f[span]) for f in (forces.grade_kN, forces.curve_kN, forces.acceleration_kN)
    )
    inertial_t = mass * (1.0 + vehicles.rotary)
    a = inertia / inertial_t if mass else 0.0
    seconds = (span.stop - span.start) * run.series.step_s
    u_a = run.series.u_acceleration_m_s2 / max(seconds / ACCELERATION_WINDOW_S, 1.0)
    kind, owner = CauseKind, run.train.owner(side)
    mass_rel_u = run.train.mass_rel_u(side)
    parts = {
        UncertaintyCause(kind.MASS, owner): sign * (grade + curve + inertia) * mass_rel_u,
        UncertaintyCause(kind.ROTARY, owner): sign * mass * a * run.train.rotary_u(side),
        UncertaintyCause(kind.GRADE, side, extent): mass * G_M_S2 * assumed.grade,
        UncertaintyCause(kind.GRADE_COMMON, side): sign * mass * G_M_S2 * assumed.grade_common,
        UncertaintyCause(kind.CURVE): sign * curve * assumed.curve_rel,
        UncertaintyCause(kind.ACCELERATION, side, extent): inertial_t * u_a,
    }
    for cause, part in parts.items():
        if part != 0.0:
            value = value.with_part(cause, part)
    return value
