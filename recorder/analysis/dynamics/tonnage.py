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

from recorder.analysis.series.corrections import G_M_S2
from recorder.analysis.series.train import Train
from recorder.analysis.uncertainty.measured import Measured

__all__ = ["WEATHER", "Rating", "balancing_speed_m_s", "rate", "trailing_load"]

WEATHER: Final = {"fair": 1.0, "cold": 0.90, "very cold": 0.85, "bitter cold": 0.80}
"""Factors on the pull: 0 to +15 °F, −1 to −10 °F, −11 to −20 °F (US Army TR0603)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rating:
    """What the locomotive takes over one grade at one least speed."""

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
    grade_resistance: float,
    curve_resistance: float = 0.0,
    weather_factor: float = 1.0,
    unit: str,
) -> Measured:
    """Trailing load in the units of ``pull`` over ``resistance`` (lb over lb/ton gives tons).

    Raises
    ------
    ValueError
        The resistance is not above zero.
    """
    total = Measured(
        resistance.value + grade_resistance + curve_resistance,
        resistance.unit,
        resistance.parts,
        resistance.dof,
    )
    if not total.value > 0.0:
        msg = f"tonnage rating: resistance must be above zero, got {total.value} {total.unit}"
        raise ValueError(msg)
    return pull.scaled(weather_factor).over(total, unit)


def rate(
    pull_kN: Callable[[float], Measured],
    resistance_N_per_t: Callable[[float], Measured],
    train: Train,
    *,
    grade: float,
    curvature_per_m: float,
    speed_m_s: float,
    weather: str = "fair",
) -> Rating | None:
    """Rate the locomotive on one grade; ``None`` when it cannot lift itself over it.

    ``pull_kN`` is the equivalent drawbar pull at a speed in m/s, ``resistance_N_per_t`` the
    trailing resistance at a speed in km/h.

    Raises
    ------
    ValueError
        The locomotive's mass is not known, or the weather is not one of :data:`WEATHER`.
    """
    if weather not in WEATHER:
        msg = f"weather must be one of {', '.join(WEATHER)}, got {weather!r}"
        raise ValueError(msg)
    if train.locomotive_mass_t is None:
        msg = "tonnage rating: the locomotive's mass is not in the trip sheet"
        raise ValueError(msg)
    k = train.assumed.curve_N_per_kN_m
    curve_N_per_t = k * abs(curvature_per_m) * G_M_S2
    grade_N_per_t = 1000.0 * G_M_S2 * grade
    own_kN = train.locomotive_mass_t * (grade_N_per_t + curve_N_per_t) / 1000.0
    level = pull_kN(speed_m_s)
    left = Measured(level.value - own_kN, "kN", level.parts, level.dof).with_part(
        "locomotive mass", -own_kN * train.assumed.mass_rel
    )
    if left.value <= 0.0:
        return None
    load = trailing_load(
        left.scaled(1000.0, "N"),
        resistance_N_per_t(speed_m_s * 3.6),
        grade_resistance=grade_N_per_t,
        curve_resistance=curve_N_per_t,
        weather_factor=WEATHER[weather],
        unit="t",
    )
    return Rating(
        grade=grade,
        curvature_per_m=curvature_per_m,
        speed_m_s=speed_m_s,
        weather=weather,
        pull_on_grade_kN=left,
        trailing_t=load,
    )


def balancing_speed_m_s(
    pull_kN: Callable[[float], Measured],
    resistance_N_per_t: Callable[[float], Measured],
    train: Train,
    *,
    trailing_t: float,
    grade: float,
    speeds_m_s: tuple[float, float],
) -> Measured | None:
    """Speed held with a given trailing load on a grade, inside the measured speeds.

    ``None`` when the balance lies outside ``speeds_m_s``. The uncertainty is that of the
    balance of forces over its slope with speed (implicit function, JCGM 100:2008 5.1).
    """
    own = (train.locomotive_mass_t or 0.0) * G_M_S2 * grade

    def balance(v: float) -> Measured:
        wanted = resistance_N_per_t(v * 3.6).scaled(trailing_t / 1000.0, "kN")
        net = pull_kN(v).minus(wanted)
        return Measured(net.value - own - trailing_t * G_M_S2 * grade, "kN", net.parts, net.dof)

    low, high = speeds_m_s
    ends = balance(low).value, balance(high).value
    if not all(map(math.isfinite, ends)) or ends[0] * ends[1] > 0.0 or high <= low:
        return None
    v = float(brentq(lambda x: balance(x).value, low, high, xtol=1e-6))
    h = max(1e-3, (high - low) * 1e-4)
    slope = (balance(min(v + h, high)).value - balance(max(v - h, low)).value) / (
        min(v + h, high) - max(v - h, low)
    )
    if slope == 0.0:
        return None
    at = balance(v)
    parts = {cause: part / abs(slope) for cause, part in at.parts.items()}
    return Measured(v, "m/s", parts, at.dof)
