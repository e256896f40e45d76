"""What pulls and what is pulled: locomotive, test car, consist, route and specification."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from recorder.sheets.admission_limits import AdmissionLimits

__all__ = [
    "CarGroup",
    "ConsistSheet",
    "LocomotiveSheet",
    "RouteSheet",
    "SpecificationSheet",
    "SteamSheet",
    "VehicleSheet",
]


BOILER_SHARE: Final = 0.85
"""Mean effective pressure at starting over boiler pressure: the trade's 85 per cent rule, as the
tractive efforts of published locomotive diagrams follow it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SteamSheet:
    """The engine of a steam locomotive, for its starting effort 0.85·P·d²·s/D, two cylinders."""

    cylinders: int = 2
    bore_m: float
    stroke_m: float
    driver_diameter_m: float
    boiler_pressure_Pa: float

    @property
    def starting_effort_kN(self) -> float:
        """Calculated starting tractive effort at the rim, simple expansion."""
        two = BOILER_SHARE * self.boiler_pressure_Pa * self.bore_m**2 * self.stroke_m
        return two / self.driver_diameter_m * self.cylinders / 2 / 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LocomotiveSheet:
    """The locomotive; what the sheet does not say is None."""

    name: str = ""
    kind: str = "other"
    """``steam``, ``diesel``, ``electric`` or ``other``."""
    mass_t: float | None = None
    """In working order, with tender."""
    adhesive_mass_t: float | None = None
    length_m: float | None = None
    axles: int | None = None
    u_mass_t: float | None = None
    """Standard uncertainty of the mass."""
    rotary_allowance: float | None = None
    """Share of the mass that rotating parts add to its inertia."""
    u_rotary_allowance: float | None = None
    resistance: tuple[float, float, float] | None = None
    """a, b, c in N/t, N/t per km/h, N/t per (km/h)²."""
    steam: SteamSheet | None = None
    rated_power_kW: float | None = None
    """As its maker states it; shown beside the name, no figure rests on it."""

    def in_words(self) -> str:
        """Name, kind, and what the sheet lets be calculated: a slip of the pen shows there."""
        words = [self.name or "not named", self.kind]
        if self.steam is not None:
            words.append(
                f"starting effort {self.steam.starting_effort_kN:.1f} kN by its cylinders"
            )
        if self.rated_power_kW is not None:
            words.append(f"rated {self.rated_power_kW:g} kW")
        return ", ".join(words)


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleSheet:
    """One vehicle, the test car; what the sheet does not say is None."""

    name: str = ""
    mass_t: float | None = None
    u_mass_t: float | None = None
    """Standard uncertainty of the mass."""
    length_m: float | None = None
    axles: int | None = None
    rotary_allowance: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CarGroup:
    """So many like cars, one after the other; masses and lengths are of one car."""

    count: int = 1
    name: str = ""
    mass_t: float = 0.0
    """Tare."""
    load_t: float = 0.0
    u_mass_t: float | None = None
    """Standard uncertainty of one car's gross mass; common to the cars of the group: they were
    weighed or rated alike."""
    length_m: float | None = None
    axles: int | None = None
    rotary_allowance: float | None = None

    @property
    def gross_t(self) -> float:
        """Tare and load of the whole group."""
        return self.count * (self.mass_t + self.load_t)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsistSheet:
    """What trails behind the test car: groups of cars from front to rear, or totals only."""

    cars: tuple[CarGroup, ...] = ()
    total_mass_t: float | None = None
    """With load; used when no cars are listed."""
    total_length_m: float | None = None
    total_axles: int | None = None
    total_count: int | None = None
    total_rotary_allowance: float | None = None
    total_u_mass_t: float | None = None
    u_rotary_allowance: float | None = None

    @property
    def u_mass_t(self) -> float | None:
        """Standard uncertainty of the gross mass: groups are independent of each other, the cars
        of one are not, and one that states none has 1 % of its own. None when none states any."""
        if not self.cars:
            return self.total_u_mass_t
        if all(c.u_mass_t is None for c in self.cars):
            return None
        return math.hypot(
            *(
                UNSTATED_REL * c.gross_t if c.u_mass_t is None else c.u_mass_t * c.count
                for c in self.cars
            )
        )

    @property
    def mass_t(self) -> float | None:
        """Gross mass of all cars, or None when the sheet does not say."""
        return sum(c.gross_t for c in self.cars) if self.cars else self.total_mass_t

    @property
    def length_m(self) -> float | None:
        """Length over couplers, or None when any car's is not known."""
        if not self.cars:
            return self.total_length_m
        lengths = [c.length_m * c.count for c in self.cars if c.length_m is not None]
        return sum(lengths) if len(lengths) == len(self.cars) else None

    @property
    def axles(self) -> int | None:
        """Axles of all cars, or None when any car's are not known."""
        if not self.cars:
            return self.total_axles
        axles = [c.axles * c.count for c in self.cars if c.axles is not None]
        return sum(axles) if len(axles) == len(self.cars) else None

    @property
    def count(self) -> int | None:
        """Number of cars."""
        return sum(c.count for c in self.cars) if self.cars else self.total_count

    @property
    def rotary_allowance(self) -> float | None:
        """Mean over the mass; None when any car's is not known."""
        if not self.cars:
            return self.total_rotary_allowance
        mass = self.mass_t or 0.0
        shares = [
            c.rotary_allowance * c.gross_t for c in self.cars if c.rotary_allowance is not None
        ]
        return sum(shares) / mass if len(shares) == len(self.cars) and mass > 0.0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteSheet:
    """The route file and how the train goes over it."""

    file: str
    """Relative to the sheet."""
    direction: str = "increasing"
    """``increasing`` or ``decreasing`` chainage."""
    start_chainage_m: float | None = None
    u_grade_pct: float | None = None
    """Standard uncertainty of a surveyed slope, per cent, over one error length."""
    u_grade_common_pct: float | None = None
    """The same of the whole line."""
    grade_error_length_m: float | None = None
    """Over which an error of the surveyed slope is one and the same."""
    u_curve_pct: float | None = None
    """Relative standard uncertainty of the curve resistance."""


UNSTATED_REL: Final = 0.01
"""Of a mass whose uncertainty is not stated (from experience)."""
_USUAL: Final = AdmissionLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationSheet:
    """What the locomotive was promised to do at the drawbar, on level tangent track."""

    name: str = ""
    starting_pull_kN: float | None = None
    points: tuple[tuple[float, float], ...] = ()
    """(speed m/s, pull kN), by rising speed."""
    power_kW: float | None = None
    """Drawbar power."""
    tolerance_pct: float = 0.0
    """What the contract allows below the figures."""
    admission: AdmissionLimits = _USUAL
    """What a stretch must show before it is judged."""
