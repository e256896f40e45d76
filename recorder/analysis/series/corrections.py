"""From the pull that was read to the pull on level, straight track at constant speed.

Each correction is its own column and can be switched off. The forces, in kilonewtons with
masses in tonnes and ``g`` = 9.80665 m/s²:

* grade: ``m·g·i``, with ``i`` the mean slope under the vehicles (rise positive);
* curve: ``m·g·(k/R)/1000`` with ``k`` = 698.55 N/kN·m (0.8 lb per short ton per degree);
* acceleration: ``m·(1 + γ)·a``, with ``γ`` the rotary allowance.

What the locomotive has to spend on itself is *added* to the reading to give the equivalent pull
("the inertia force is added when the train slows and subtracted when it speeds up" holds for
the train behind the coupler: W. L. Webb, The Economics of Railroad Construction, sec. 123,
which is the sign used for the resistance of the trailing load).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities.constants import G_M_S2, KM_H_PER_M_S
from recorder.analysis.series.train import Side

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.analysis.series.train import TrialTrain

__all__ = [
    "Corrected",
    "LineForces",
    "Switches",
    "correct",
    "locomotive_resistance_kN",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Switches:
    """Which corrections are applied; all by default."""

    grade: bool = True
    curve: bool = True
    acceleration: bool = True
    wheel: bool = True
    """Scale of the wheel found by placing, where it knows better than the certificate; done
    when the run is loaded."""
    zero_drift: bool = True
    """Straight lines from zero to zero; without, the first zero holds. Done when the run is
    loaded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineForces:
    """What grade, curve and acceleration ask of the vehicles on one side of the coupler, (n,)
    kN each; zero in a correction that is switched off, NaN without the mass.
    """

    grade_kN: NDArray[np.float64]
    curve_kN: NDArray[np.float64]
    acceleration_kN: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """All arrays (n,) on the series' grid; kN unless the name says otherwise. NaN where
    unknown.
    """

    locomotive: LineForces
    trailing: LineForces
    equivalent_pull_kN: NDArray[np.float64]
    """Reading plus what the locomotive spent on its own grade, curve and acceleration."""
    trailing_resistance_kN: NDArray[np.float64]
    """Reading less grade, curve and acceleration of the trailing load."""
    rim_effort_kN: NDArray[np.float64]
    """Equivalent pull plus the stated resistance of the locomotive."""
    adhesion: NDArray[np.float64]
    """Rim effort as it was (uncorrected pull plus all of the locomotive's own resistance) over
    the adhesive weight."""

    def forces(self, side: Side) -> LineForces:
        """The forces on one side of the coupler."""
        return self.locomotive if side is Side.LOCOMOTIVE else self.trailing

    def pull_kN(self, side: Side) -> NDArray[np.float64]:
        """Equivalent pull of the locomotive, or resistance of the trailing load."""
        if side is Side.LOCOMOTIVE:
            return self.equivalent_pull_kN
        return self.trailing_resistance_kN


def locomotive_resistance_kN(
    train: TrialTrain, speed_m_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Stated running resistance of the locomotive at each speed, kN; NaN when not stated."""
    mass_t = train.locomotive.mass_t
    if train.locomotive_resistance is None or mass_t is None:
        return np.full(np.shape(speed_m_s), np.nan)
    a, b, c = train.locomotive_resistance
    v = np.abs(speed_m_s) * KM_H_PER_M_S
    return np.asarray((a + b * v + c * v * v) * mass_t / 1000.0)


def correct(series: Series, train: TrialTrain, switches: Switches | None = None) -> Corrected:
    """Apply the corrections to a series.

    A correction that is switched off, or that needs a route the run does not have, is zero in
    its own column; one that needs a mass the trip sheet does not give makes its sums NaN.
    """
    on = switches or Switches()
    own = _forces(series, train, Side.LOCOMOTIVE, on)
    behind = _forces(series, train, Side.TRAILING, on)
    equivalent = series.pull_kN + own.grade_kN + own.curve_kN + own.acceleration_kN
    resistance = series.pull_kN - behind.grade_kN - behind.curve_kN - behind.acceleration_kN
    rim = equivalent + locomotive_resistance_kN(train, series.speed_m_s)
    adhesive_kN = np.nan if not train.adhesive_mass_t else train.adhesive_mass_t * G_M_S2
    return Corrected(
        locomotive=own,
        trailing=behind,
        equivalent_pull_kN=equivalent,
        trailing_resistance_kN=resistance,
        rim_effort_kN=rim,
        adhesion=rim / adhesive_kN,
    )


def _forces(series: Series, train: TrialTrain, side: Side, on: Switches) -> LineForces:
    vehicles = train.vehicles(side)
    mass = np.nan if vehicles.mass_t is None else vehicles.mass_t
    weight_kN = mass * G_M_S2
    k = train.assumed.curve_N_per_kN_m
    zero = np.zeros(len(series))
    bend = np.abs(series.curvature_per_m(side))
    a = series.acceleration_m_s2
    return LineForces(
        grade_kN=weight_kN * series.grade(side) if on.grade else zero,
        curve_kN=weight_kN * k * bend / 1000.0 if on.curve else zero,
        acceleration_kN=mass * (1.0 + vehicles.rotary) * a if on.acceleration else zero,
    )
