"""How hard a locomotive can pull at a speed.

Steam: starting effort ``0.85·P·d²·s/D`` (two simple cylinders; the trade's 85 per cent rule),
falling with speed to what the boiler can keep up. Diesel: what adhesion holds, then constant
power. All in SI.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from calibration.quantities.constants import KM_H_PER_M_S

__all__ = [
    "Diesel",
    "Engine",
    "Steam",
    "adhesion_coefficient",
    "starting_effort_N",
]


def starting_effort_N(
    boiler_pressure_Pa: float,
    bore_m: float,
    stroke_m: float,
    driver_diameter_m: float,
    cylinders: int = 2,
) -> float:
    """Starting tractive effort at the rim: ``0.85·P·d²·s/D`` for two simple cylinders."""
    two = 0.85 * boiler_pressure_Pa * bore_m**2 * stroke_m / driver_diameter_m
    return two * cylinders / 2.0


def adhesion_coefficient(speed_m_s: float, at_rest: float) -> float:
    """Adhesion at a speed: falls with it, as ``0.161 + 7.5/(V + 44)`` (V in km/h; the form
    commonly used for dry rail), scaled to what it is at rest.
    """
    form = 0.161 + 7.5 / (KM_H_PER_M_S * abs(speed_m_s) + 44.0)
    return at_rest * form / (0.161 + 7.5 / 44.0)


class Engine(Protocol):
    """What the train needs to know of its locomotive."""

    @property
    def adhesive_mass_t(self) -> float: ...
    @property
    def ripple(self) -> tuple[float, float]:
        """Relative amplitude of the pulsation, and pulsations per metre run."""
        ...

    def effort_N(self, speed_m_s: float) -> float:
        """Most tractive effort at the rim, with unlimited adhesion."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Steam:
    """A steam locomotive."""

    boiler_pressure_Pa: float
    bore_m: float
    stroke_m: float
    driver_diameter_m: float
    adhesive_mass_t: float
    boiler_power_kW: float
    """What the boiler keeps up, at the rim."""
    cylinders: int = 2
    pulsation: float = 0.10
    effort_factor: float = 1.0
    """True effort over the formula's: below 1 for a worn engine."""

    @property
    def starting_N(self) -> float:
        """By the formula, times the factor."""
        return self.effort_factor * starting_effort_N(
            self.boiler_pressure_Pa,
            self.bore_m,
            self.stroke_m,
            self.driver_diameter_m,
            self.cylinders,
        )

    @property
    def ripple(self) -> tuple[float, float]:
        """Four pulsations a turn of the drivers: two cylinders, double acting, quartered."""
        return self.pulsation, 4.0 / (3.141592653589793 * self.driver_diameter_m)

    def effort_N(self, speed_m_s: float) -> float:
        """Starting effort at a stand, boiler power over speed when fast, smooth between."""
        start = self.starting_N
        knee = self.effort_factor * 1000.0 * self.boiler_power_kW / start
        return float(start / (1.0 + (abs(speed_m_s) / knee) ** 3) ** (1.0 / 3.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Diesel:
    """A diesel locomotive with electric transmission."""

    power_kW: float
    """At the rim."""
    starting_kN: float
    adhesive_mass_t: float
    effort_factor: float = 1.0

    @property
    def ripple(self) -> tuple[float, float]:
        """None worth mentioning."""
        return 0.0, 1.0

    def effort_N(self, speed_m_s: float) -> float:
        """Constant power above the speed where it meets the starting effort."""
        start = 1000.0 * self.starting_kN
        power = 1000.0 * self.power_kW
        return self.effort_factor * min(start, power / max(abs(speed_m_s), 0.1))
