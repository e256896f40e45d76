"""What is pulled and what pulls: the masses and allowances every correction needs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from calibration.quantities.sentence import amount, say

if TYPE_CHECKING:
    from recorder.sheets import TripSheet

__all__ = ["Assumed", "Side", "TrialTrain", "Vehicles", "train_from_sheet"]

DEFAULT_ROTARY: Final = 0.05
"""Share of the mass that rotating wheels add to its inertia when the trip sheet says nothing;
from experience (5 per cent is the allowance of Webb's velocity-head table too)."""


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
    grade_length_m: float = 500.0
    """Over which an error of the surveyed slope is one and the same: about the distance between
    two changes of grade (from experience)."""
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
    mass_rel_u: float | None = None
    """Relative standard uncertainty of the mass; ``None`` when none was stated."""
    rotary_u: float | None = None
    """Standard uncertainty of the rotary allowance; ``None`` when none was stated."""
    owner: str = ""
    """Which vehicles these are: two runs with the same share the error of their mass."""

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

    def mass_rel_u(self, side: Side) -> float:
        """Relative standard uncertainty of a side's mass: stated, else assumed."""
        stated = self.vehicles(side).mass_rel_u
        return self.assumed.mass_rel if stated is None else stated

    def rotary_u(self, side: Side) -> float:
        """Standard uncertainty of a side's rotary allowance: stated, else assumed."""
        stated = self.vehicles(side).rotary_u
        return self.assumed.rotary if stated is None else stated

    def owner(self, side: Side) -> str:
        """Whose mass and rotary allowance it is."""
        return self.vehicles(side).owner or str(side)


def train_from_sheet(
    trip: TripSheet | None, *, assumed: Assumed | None = None, run: str = ""
) -> TrialTrain:
    """Collect what a trip sheet states; an absent sheet or table gives ``None`` fields."""
    given = _stated(assumed or Assumed(), trip)
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
            mass_rel_u=_relative(engine.u_mass_t, engine.mass_t),
            rotary_u=engine.u_rotary_allowance,
            owner=f"locomotive {engine.name or f'of {run}'}" if engine.name or run else "",
        ),
        trailing=Vehicles(
            # With only the test car's mass the trailing load is not known.
            mass_t=mass if consist.mass_t else None,
            rotary=turning / mass if mass > 0.0 else DEFAULT_ROTARY,
            length_m=sum(v.length_m or 0.0 for v in parts) or None,
            axles=sum(v.axles or 0 for v in parts) or None,
            mass_rel_u=_trailing_rel_u(trip),
            rotary_u=consist.u_rotary_allowance,
            owner=_train_words(trip, run),
        ),
        adhesive_mass_t=engine.adhesive_mass_t,
        locomotive_resistance=engine.resistance,
        assumed=given,
    )


def _stated(usual: Assumed, trip: TripSheet | None) -> Assumed:
    """What is assumed, with what the trip sheet states of the line in its place."""
    line = None if trip is None else trip.route
    if line is None:
        return usual
    grade, common, curve = line.u_grade_pct, line.u_grade_common_pct, line.u_curve_pct
    length = line.grade_error_length_m
    return replace(
        usual,
        grade=usual.grade if grade is None else grade / 100.0,
        grade_common=usual.grade_common if common is None else common / 100.0,
        curve_rel=usual.curve_rel if curve is None else curve / 100.0,
        grade_length_m=usual.grade_length_m if length is None else length,
    )


def _relative(u: float | None, value: float | None) -> float | None:
    return None if u is None or not value else u / value


def _trailing_rel_u(trip: TripSheet) -> float | None:
    """Of test car and consist, each independent of the other; what one does not state is 1 %."""
    parts = [(v.mass_t, v.u_mass_t) for v in (trip.test_car, trip.consist) if v.mass_t]
    if all(u is None for _, u in parts):
        return None
    usual = Assumed().mass_rel
    return _relative(
        math.hypot(*(usual * (m or 0.0) if u is None else u for m, u in parts)),
        sum(m or 0.0 for m, _ in parts),
    )


def _train_words(trip: TripSheet, run: str) -> str:
    """The trailing load by its cars: the same words, the same cars; without a list of cars it is
    the run's own."""
    consist = trip.consist
    if not consist.cars:
        return f"train of {run}" if run else ""
    groups = "; ".join(f"{c.count} {c.name or 'cars'}" for c in consist.cars)
    return say(f"train of {groups}, ", amount(consist.mass_t or 0.0, "t", 0))


def _rotary(stated: float | None) -> float:
    return DEFAULT_ROTARY if stated is None else stated
