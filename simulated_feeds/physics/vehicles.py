"""What the train is made of, and how it resists motion.

Resistance by W.J. Davis Jr., "The Tractive Resistance of Electric Locomotives and Cars",
General Electric Review 29 (1926): ``1.3 + 29/w + b·V + c·A·V²/(w·n)`` lb per short ton, with w
short tons an axle, n axles, V mph, A square feet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import (
    G_M_S2,
    KM_H_PER_M_S,
    KM_H_PER_MPH,
    N_PER_T_PER_LB_PER_TON,
)
from calibration.quantities.units import exact_ratio
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "CURVE_N_PER_KN_M",
    "FREIGHT",
    "LOCOMOTIVE",
    "DavisLaw",
    "SimulatedTrain",
    "Vehicle",
    "davis_N_per_t",
]

SHORT_TON_T: Final = exact_ratio("short_ton", "t")
SQ_FT_M2: Final = exact_ratio("ft2", "m2")
CURVE_N_PER_KN_M: Final = 0.8 / 2000.0 * 1000.0 * 30.48 * 180.0 / np.pi
"""0.8 lb per short ton per degree of curve (AREA), as N/kN times metres of radius."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DavisLaw:
    """The two coefficients of Davis's form that depend on the kind of vehicle."""

    flange: float
    """lb/ton per mph."""
    air: float
    """lb per sq ft per mph²."""


FREIGHT: Final = DavisLaw(flange=0.045, air=0.0005)
LOCOMOTIVE: Final = DavisLaw(flange=0.03, air=0.0024)


def davis_N_per_t(
    mass_t: float, axles: int, area_m2: float, law: DavisLaw = FREIGHT
) -> tuple[float, float, float]:
    """Resistance of a vehicle in N per tonne: a + b·V + c·V², V in km/h.

    Raises
    ------
    FeedError
        Less than 5 short tons an axle: the form does not hold there.
    """
    per_axle = mass_t / SHORT_TON_T / axles
    if per_axle < 5.0:
        msg = f"a vehicle of {mass_t} t on {axles} axles is too light for Davis's form"
        raise FeedError(msg)
    a = 1.3 + 29.0 / per_axle
    c = law.air * area_m2 / SQ_FT_M2 / (mass_t / SHORT_TON_T)
    unit = N_PER_T_PER_LB_PER_TON
    return a * unit, law.flange * unit / KM_H_PER_MPH, c * unit / KM_H_PER_MPH**2


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """A locomotive or a car."""

    name: str
    tare_t: float
    load_t: float = 0.0
    length_m: float = 12.8
    axles: int = 4
    rotary_allowance: float = 0.05
    """Inertia of wheels over mass."""
    area_m2: float = 8.2
    law: DavisLaw = FREIGHT
    brake_ratio: float = 0.09
    """Full braking force over weight."""

    @property
    def mass_t(self) -> float:
        """Tare and load."""
        return self.tare_t + self.load_t

    @property
    def davis(self) -> tuple[float, float, float]:
        """N per tonne; see :func:`davis_N_per_t`."""
        return davis_N_per_t(self.mass_t, self.axles, self.area_m2, self.law)


@dataclass(frozen=True, kw_only=True)
class SimulatedTrain:
    """Vehicles from the front: locomotive, test car, then what trails.

    The measured coupler is between the first two.
    """

    vehicles: tuple[Vehicle, ...]
    slack_m: float = 0.022
    """Free play of a coupling, from pushed to drawn."""
    stiffness_N_per_m: float = 1.6e7
    """Of the two draft gears of a coupling, once the slack is taken up."""
    damping_ratio: float = 0.28
    breakaway_N_per_t: float = 45.0
    """Extra resistance at rest; dies away as journals warm (16 to 20 lb/ton to start is common
    practice)."""
    breakaway_m_s: float = 0.7
    """Speed over which it dies away, as exp(−v/…)."""
    curve_N_per_kN_m: float = CURVE_N_PER_KN_M
    """Curve resistance of all of it, times radius."""

    def __post_init__(self) -> None:
        if len(self.vehicles) < 2:
            msg = "a train needs a locomotive and a test car"
            raise FeedError(msg)

    @property
    def mass_kg(self) -> NDArray[np.float64]:
        """(n,) mass of each vehicle."""
        return np.array([1000.0 * v.mass_t for v in self.vehicles])

    @property
    def inertia_kg(self) -> NDArray[np.float64]:
        """(n,) mass with rotary allowance."""
        return np.array([1000.0 * v.mass_t * (1.0 + v.rotary_allowance) for v in self.vehicles])

    @property
    def length_m(self) -> NDArray[np.float64]:
        """(n,) length over couplers."""
        return np.array([v.length_m for v in self.vehicles])

    @property
    def davis_N(self) -> NDArray[np.float64]:
        """(3, n) resistance of each vehicle, N: a + b·v + c·v² with v in m/s."""
        table = np.array([v.davis for v in self.vehicles]).T * self.mass_kg / 1000.0
        return np.asarray(table * np.array([[1.0], [KM_H_PER_M_S], [KM_H_PER_M_S**2]]))

    @property
    def brake_N(self) -> NDArray[np.float64]:
        """(n,) braking force with the brake fully on."""
        ratio = np.array([v.brake_ratio for v in self.vehicles])
        return np.asarray(ratio * self.mass_kg * G_M_S2)

    @property
    def offsets_m(self) -> NDArray[np.float64]:
        """(n,) centre of each vehicle from the measured coupler, + towards the front."""
        length = self.length_m
        behind = np.cumsum(length[1:]) - 0.5 * length[1:]
        return np.concatenate(([0.5 * length[0]], -behind))
