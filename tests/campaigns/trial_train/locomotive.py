"""The locomotive's promised curve, what it really does, and the train behind it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["GRAVITY", "Condition", "Curve", "Sureness", "Train", "draw_curve", "draw_train"]

GRAVITY = 9.80665
CURVE_N_PER_KN_M = 698.55
"""0.8 lb per short ton per degree (AREA), in newtons per kilonewton times metres of radius."""

LEAST_START_T_PER_KN = 5.2


class Condition(StrEnum):
    """How the locomotive stands against its promise."""

    SPEC = "at specification"
    STRONG = "5 % above"
    SHORT = "3 % short"
    WEAK_SMOOTH = "weak band, smooth"
    WEAK_STEP = "weak band, step"
    WET = "10 % below"

    @property
    def factor(self) -> float:
        """Of the promised pull, outside a weak band."""
        return {Condition.STRONG: 1.05, Condition.SHORT: 0.97, Condition.WET: 0.90}.get(
            self, 1.0
        )


@dataclass(frozen=True)
class Curve:
    """Drawbar pull on level straight track at full throttle, against speed."""

    promised_m_s: NDArray[np.float64]
    promised_kN: NDArray[np.float64]
    grid_m_s: NDArray[np.float64]
    """Fine grid of the true pull."""
    true_kN: NDArray[np.float64]
    weak_km_h: tuple[float, float] | None
    own_resistance: tuple[float, float, float]
    """N/t, N/t per km/h, N/t per (km/h)² of the locomotive itself."""

    def promised(self, speed_m_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Promised pull, kN; straight lines between its points."""
        return np.interp(speed_m_s, self.promised_m_s, self.promised_kN)

    def true(self, speed_m_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """True pull at full throttle, kN."""
        return np.interp(speed_m_s, self.grid_m_s, self.true_kN)


@dataclass(frozen=True)
class Sureness:
    """Standard uncertainties of what no instrument of the run measures; errors are drawn by
    them. As the product assumes them, unless the sheet says them.
    """

    mass_rel: float = 0.01
    rotary: float = 0.01
    grade: float = 0.0002
    survey_m: float = 500.0
    """Over which an error of the surveyed slope is one and the same."""
    said: bool = False
    """In the trip sheet."""


@dataclass(frozen=True)
class Train:
    """Masses in tonnes; what is stated in the sheet and what is true."""

    own_t: float
    load_t: float
    own_rotary: float
    load_rotary: float
    true_own_t: float
    true_load_t: float
    true_own_rotary: float
    true_load_rotary: float
    own_m: float
    load_m: float
    resistance: tuple[float, float, float]
    """True A, B, C of the load, N/t at km/h."""
    curve_N_per_kN_m: float
    starting_N_per_t: float
    """More than rolling resistance that the standing load wants to be moved."""
    car_t: float = 40.0
    """Of it, the test car, as stated."""


def draw_curve(rng: np.random.Generator, *, steam: bool) -> Curve:
    """A power-limited curve with a cap of adhesion, or one like steam's; pulled as promised."""
    points = np.arange(8.0, 101.0, 4.0)
    power_kW, cap_kN = rng.uniform(1100.0, 2200.0), rng.uniform(200.0, 280.0)
    v = points / 3.6
    if steam:
        pull = cap_kN * 0.8 / (1.0 + (points / rng.uniform(45.0, 60.0)) ** 1.4)
    else:
        cap = cap_kN * (1.0 - 0.003 * points)
        pull = (cap**-6 + (power_kW / v) ** -6) ** (-1.0 / 6.0)
    pull = np.round(pull, 1)
    grid = np.linspace(0.0, 110.0, 1101)
    own = (rng.uniform(12, 20), rng.uniform(0.05, 0.2), rng.uniform(0.002, 0.006))
    return Curve(v, pull, grid / 3.6, np.interp(grid, points, pull), None, own)


def pulling(curve: Curve, condition: Condition, low_km_h: float) -> Curve:
    """The curve of a locomotive in some condition; a weak band begins at ``low_km_h``."""
    true = curve.promised(curve.grid_m_s) * condition.factor
    if condition not in {Condition.WEAK_SMOOTH, Condition.WEAK_STEP}:
        return replace(curve, true_kN=true)
    high = low_km_h + 10.0
    taper = 2.0 if condition is Condition.WEAK_SMOOTH else 1e-6
    ends = [low_km_h - taper, low_km_h, high, high + taper]
    inside = np.interp(3.6 * curve.grid_m_s, ends, [0.0, 1.0, 1.0, 0.0])
    return replace(curve, true_kN=true * (1.0 - 0.08 * inside), weak_km_h=(low_km_h, high))


def draw_train(
    rng: np.random.Generator, curve: Curve, sure: Sureness, *, wrong_mass: bool, steam: bool
) -> Train:
    """Every stated figure with the error its uncertainty allows."""
    # No more than starts on a rise of one per cent.
    most_t = min(1500.0, LEAST_START_T_PER_KN * float(curve.promised_kN.max()))
    own_t, load_t = rng.uniform(80.0, 130.0), rng.uniform(0.55 * most_t, most_t)
    slip = np.ones(2)
    if wrong_mass:
        slip = 1.0 + rng.uniform(0.10, 0.15, 2) * rng.choice([-1.0, 1.0], 2)
    mass = (1.0 + sure.mass_rel * rng.standard_normal(2)) * slip
    turning = sure.rotary * rng.standard_normal(2)
    own_rotary = 0.05 if steam else 0.10
    return Train(
        own_t=own_t,
        load_t=load_t,
        own_rotary=own_rotary,
        load_rotary=0.05,
        true_own_t=own_t * mass[0],
        true_load_t=load_t * mass[1],
        true_own_rotary=own_rotary + turning[0],
        true_load_rotary=0.05 + turning[1],
        own_m=20.0,
        load_m=load_t / 4.0,
        resistance=(rng.uniform(9, 16), rng.uniform(0.03, 0.15), rng.uniform(0.0015, 0.004)),
        curve_N_per_kN_m=CURVE_N_PER_KN_M * max(0.3, 1.0 + 0.25 * rng.standard_normal()),
        starting_N_per_t=rng.uniform(10.0, 30.0),
    )
