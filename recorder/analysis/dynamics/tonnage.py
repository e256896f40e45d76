"""Tonnage rating: what the operating department wants from it all.

``W = w·P / (r + g·i + c)``: the trailing tonnes that the available drawbar pull ``P`` takes
over a grade ``i`` with rolling resistance ``r``, curve resistance ``c`` and weather factor
``w`` (US Army Subcourse TR0603, Rail Operations Planning, gives the same quotient in pounds and
short tons).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from scipy.optimize import brentq

from calibration.quantities.constants import G_M_S2, KM_H_PER_M_S
from recorder.analysis.series.train import Side, TrialTrain
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

__all__ = ["WEATHER", "Rating", "balancing_speed_m_s", "rate", "trailing_load"]

WEATHER: Final = {"fair": 1.0, "cold": 0.90, "very cold": 0.85, "bitter cold": 0.80}
"""Factors on the pull: 0 to +15 °F, −1 to −10 °F, −11 to −20 °F (US Army TR0603)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rating:
    """What the locomotive takes over one grade at one minimum speed."""

    grade: float
    curvature_per_m: float
    speed_m_s: float
    weather: str
    pull_on_grade_kN: Measured
    trailing_t: Measured


def trailing_load(
    pull: Measured,
    resistance: Measured,
    *,
    line_resistance: float,
    weather_factor: float = 1.0,
    unit: str,
) -> Measured:
    """Trailing load in the units of ``pull`` over ``resistance`` (lb over lb/ton gives tons).

    ``line_resistance`` is that of grade and curve, in the unit of ``resistance``.

    Raises
    ------
    ValueError
        The resistance is not above zero.
    """
    total = resistance.shifted(line_resistance)
    if not total.value > 0.0:
        msg = f"tonnage rating: resistance must be above zero, got {total.value} {total.unit}"
        raise ValueError(msg)
    return pull.scaled(weather_factor).over(total, unit)


def rate(
    pull_kN: Callable[[float], Measured],
    resistance_N_per_t: Callable[[float], Measured],
    train: TrialTrain,
    *,
    grade: float,
    curvature_per_m: float,
    speed_m_s: float,
    weather: str = "fair",
) -> Rating | None:
    """Rate the locomotive on one grade; ``None`` when it cannot lift itself over it, or when
    a train would roll by itself (grade, rolling and curve together do not resist).

    ``pull_kN`` is the equivalent drawbar pull at a speed in m/s, ``resistance_N_per_t`` the
    trailing resistance at a speed in km/h.

    Raises
    ------
    ValueError
        The locomotive's mass is not known, or the weather is not one of :data:`WEATHER`.
    """
    mass_t = _own_mass_t(train, weather)
    curve = train.assumed.curve_N_per_kN_m * abs(curvature_per_m)
    line_N_per_t = (1000.0 * grade + curve) * G_M_S2
    own_kN = mass_t * line_N_per_t / 1000.0
    mass = UncertaintyCause(CauseKind.MASS, train.owner(Side.LOCOMOTIVE))
    left = pull_kN(speed_m_s).shifted(-own_kN)
    left = left.with_part(mass, -own_kN * train.mass_rel_u(Side.LOCOMOTIVE))
    left, rolling = _bent(
        left,
        resistance_N_per_t(speed_m_s * KM_H_PER_M_S),
        mass_t,
        curve * G_M_S2 * train.assumed.curve_rel,
    )
    if left.value <= 0.0 or rolling.value + line_N_per_t <= 0.0:
        return None
    load = trailing_load(
        left.scaled(1000.0, "N"), rolling, line_resistance=line_N_per_t,
        weather_factor=WEATHER[weather], unit="t",
    )  # fmt: skip
    return Rating(
        grade=grade,
        curvature_per_m=curvature_per_m,
        speed_m_s=speed_m_s,
        weather=weather,
        pull_on_grade_kN=left,
        trailing_t=load,
    )


def _own_mass_t(train: TrialTrain, weather: str) -> float:
    """The locomotive's mass, where there can be a rating."""
    if weather not in WEATHER:
        msg = f"tonnage rating: weather {weather!r}; allowed: {', '.join(WEATHER)}"
        raise ValueError(msg)
    if train.locomotive.mass_t is None:
        msg = "tonnage rating: the locomotive's mass is not in the trip sheet"
        raise ValueError(msg)
    return train.locomotive.mass_t


def _bent(
    left: Measured, rolling: Measured, mass_t: float, u_N_per_t: float
) -> tuple[Measured, Measured]:
    """Pull left and rolling resistance with the uncertainty of a curve's resistance per tonne: it
    holds locomotive and train back alike, and is known no better for the one than for the other.
    """
    if not u_N_per_t > 0.0:
        return left, rolling
    cause = UncertaintyCause(CauseKind.CURVE)
    return left.with_part(cause, -mass_t * u_N_per_t / 1000.0), rolling.with_part(
        cause, u_N_per_t
    )


def balancing_speed_m_s(
    pull_kN: Callable[[float], Measured],
    resistance_N_per_t: Callable[[float], Measured],
    train: TrialTrain,
    *,
    grade: float,
    speeds_m_s: tuple[float, float],
) -> Measured | None:
    """Balancing speed with the train's own trailing load on a grade, inside the measured speeds.

    ``None`` when the balance lies outside ``speeds_m_s``, or without the trailing mass. The
    uncertainty is that of the balance of forces over its slope with speed (implicit function,
    JCGM 100:2008 5.1).
    """
    trailing_t = train.trailing.mass_t
    if trailing_t is None:
        return None
    lifting_kN = ((train.locomotive.mass_t or 0.0) + trailing_t) * G_M_S2 * grade

    def balance(v: float) -> Measured:
        wanted = resistance_N_per_t(v * KM_H_PER_M_S).scaled(trailing_t / 1000.0, "kN")
        net = pull_kN(v).minus(wanted)
        return net.shifted(-lifting_kN)

    low, high = speeds_m_s
    ends = balance(low).value, balance(high).value
    if not all(map(math.isfinite, ends)) or ends[0] * ends[1] > 0.0 or high <= low:
        return None
    v = float(brentq(lambda x: balance(x).value, low, high, xtol=1e-6))
    h = max(1e-3, (high - low) * 1e-4)
    below, above = max(v - h, low), min(v + h, high)
    slope = (balance(above).value - balance(below).value) / (above - below)
    if slope == 0.0:
        return None
    at = balance(v)
    parts = {cause: part / abs(slope) for cause, part in at.parts.items()}
    return Measured(v, "m/s", parts, at.dof)
