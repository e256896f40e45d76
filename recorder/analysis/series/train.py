"""What is pulled and what pulls: the masses and allowances every correction needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from recorder.sheets import TripSheet

__all__ = ["Assumed", "Side", "TrialTrain", "Vehicles", "train_from_sheet"]

DEFAULT_ROTARY: Final = 0.05
"""Share of the mass that rotating wheels add to its inertia when the trip sheet says nothing;
common practice (5 per cent is the allowance of Webb's velocity-head table too)."""


class Side(StrEnum):
    """The two sides of the measuring coupler."""

    LOCOMOTIVE = "locomotive"
    TRAILING = "trailing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """Standard uncertainties of what no instrument measures. Stated in every report."""

    mass_rel: float = 0.01
    """Relative, of the locomotive's and the train's mass (weighed or declared)."""
    rotary: float = 0.01
    """Absolute, of the rotary allowance."""
    grade: float = 0.0002
    """Absolute slope (0.02 %) of the route's grade under the train, per stretch."""
    grade_common: float = 0.0
    """Absolute slope error common to the whole route."""
    curve_rel: float = 0.25
    """Relative, of the curve resistance constant."""
    curve_N_per_kN_m: float = 698.5501438
    """Curve resistance times radius: 0.8 lb per short ton per degree (AREA), in SI."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicles:
    """All that stands on one side of the measuring coupler."""

    mass_t: float | None = None
    """Unknown is ``None``, and figures that need it are not made."""
    rotary: float = DEFAULT_ROTARY
    """Share of the mass that its rotating parts add to its inertia."""
    length_m: float | None = None
    axles: int | None = None

    @property
    def axle_load_t(self) -> float | None:
        """Mean mass on an axle; ``None`` when it is not known."""
        return self.mass_t / self.axles if self.mass_t and self.axles else None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialTrain:
    """The train under trial: the locomotive, and everything behind the measuring coupler (test
    car and consist).
    """

    locomotive: Vehicles = field(default_factory=Vehicles)
    trailing: Vehicles = field(default_factory=Vehicles)
    adhesive_mass_t: float | None = None
    locomotive_resistance: tuple[float, float, float] | None = None
    """A, B, C in N/t, N/t per km/h, N/t per (km/h)²."""
    assumed: Assumed = field(default_factory=Assumed)

    def vehicles(self, side: Side) -> Vehicles:
        """What stands on one side of the coupler."""
        return self.locomotive if side is Side.LOCOMOTIVE else self.trailing


def train_from_sheet(trip: TripSheet | None, *, assumed: Assumed | None = None) -> TrialTrain:
    """Collect what a trip sheet states; an absent sheet or table gives ``None`` fields."""
    given = assumed or Assumed()
    if trip is None:
        return TrialTrain(assumed=given)
    engine, consist = trip.locomotive, trip.consist
    parts = [v for v in (trip.test_car, consist) if v.mass_t]
    mass = sum(v.mass_t or 0.0 for v in parts)
    turning = sum((v.mass_t or 0.0) * _rotary(v.rotary_allowance) for v in parts)
    return TrialTrain(
        locomotive=Vehicles(
            mass_t=engine.mass_t,
            rotary=_rotary(engine.rotary_allowance),
            length_m=engine.length_m,
        ),
        trailing=Vehicles(
            # With only the test car's mass the trailing load is not known.
            mass_t=mass if consist.mass_t else None,
            rotary=turning / mass if mass > 0.0 else DEFAULT_ROTARY,
            length_m=sum(v.length_m or 0.0 for v in parts) or None,
            axles=sum(v.axles or 0 for v in parts) or None,
        ),
        adhesive_mass_t=engine.adhesive_mass_t,
        locomotive_resistance=engine.resistance,
        assumed=given,
    )


def _rotary(stated: float | None) -> float:
    return DEFAULT_ROTARY if stated is None else stated
