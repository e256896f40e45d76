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
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.analysis.series.train import Train

__all__ = ["G_M_S2", "Corrected", "Switches", "correct", "locomotive_resistance_kN"]

G_M_S2: Final = 9.80665


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
class Corrected:
    """All arrays (n,) on the series' grid; kN unless the name says otherwise. NaN where
    unknown.
    """

    locomotive_grade_kN: NDArray[np.float64]
    locomotive_curve_kN: NDArray[np.float64]
    locomotive_acceleration_kN: NDArray[np.float64]
    trailing_grade_kN: NDArray[np.float64]
    trailing_curve_kN: NDArray[np.float64]
    trailing_acceleration_kN: NDArray[np.float64]
    equivalent_pull_kN: NDArray[np.float64]
    """Reading plus what the locomotive spent on its own grade, curve and acceleration."""
    trailing_resistance_kN: NDArray[np.float64]
    """Reading less grade, curve and acceleration of the trailing load."""
    rim_effort_kN: NDArray[np.float64]
    """Equivalent pull plus the stated resistance of the locomotive."""
    adhesion: NDArray[np.float64]
    """Rim effort as it was (uncorrected pull plus all of the locomotive's own resistance) over
    the adhesive weight."""


def locomotive_resistance_kN(
    train: Train, speed_m_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Stated running resistance of the locomotive at each speed, kN; NaN when not stated."""
    if train.locomotive_resistance is None or train.locomotive_mass_t is None:
        return np.full(np.shape(speed_m_s), np.nan)
    a, b, c = train.locomotive_resistance
    v = np.abs(speed_m_s) * 3.6
    return np.asarray((a + b * v + c * v * v) * train.locomotive_mass_t / 1000.0)


def correct(series: Series, train: Train, switches: Switches | None = None) -> Corrected:
    """Apply the corrections to a series.

    A correction that is switched off, or that needs a route the run does not have, is zero in
    its own column; one that needs a mass the trip sheet does not give makes its sums NaN.
    """
    on = switches or Switches()
    k = train.assumed.curve_N_per_kN_m
    own = _forces(
        train.locomotive_mass_t,
        train.locomotive_rotary,
        series.locomotive_grade,
        series.locomotive_curvature_per_m,
        series.acceleration_m_s2,
        k,
        on,
    )
    behind = _forces(
        train.trailing_mass_t,
        train.trailing_rotary,
        series.trailing_grade,
        series.trailing_curvature_per_m,
        series.acceleration_m_s2,
        k,
        on,
    )
    equivalent = series.pull_kN + own[0] + own[1] + own[2]
    running = locomotive_resistance_kN(train, series.speed_m_s)
    adhesive_kN = np.nan if not train.adhesive_mass_t else train.adhesive_mass_t * G_M_S2
    return Corrected(
        locomotive_grade_kN=own[0],
        locomotive_curve_kN=own[1],
        locomotive_acceleration_kN=own[2],
        trailing_grade_kN=behind[0],
        trailing_curve_kN=behind[1],
        trailing_acceleration_kN=behind[2],
        equivalent_pull_kN=equivalent,
        trailing_resistance_kN=series.pull_kN - behind[0] - behind[1] - behind[2],
        rim_effort_kN=equivalent + running,
        adhesion=(equivalent + running) / adhesive_kN,
    )


def _forces(
    mass_t: float | None,
    rotary: float,
    grade: NDArray[np.float64],
    curvature_per_m: NDArray[np.float64],
    acceleration_m_s2: NDArray[np.float64],
    k_N_per_kN_m: float,
    on: Switches,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    mass = np.nan if mass_t is None else mass_t
    weight_kN = mass * G_M_S2
    zero = np.zeros(len(grade))
    return (
        weight_kN * grade if on.grade else zero,
        weight_kN * k_N_per_kN_m * np.abs(curvature_per_m) / 1000.0 if on.curve else zero,
        mass * (1.0 + rotary) * acceleration_m_s2 if on.acceleration else zero,
    )
