"""What is pulled and what pulls: the masses and allowances every correction needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from recorder.sheets import TripSheet

__all__ = ["Assumed", "Train", "train_from_sheet"]

DEFAULT_ROTARY: Final = 0.05
"""Share of the mass that rotating wheels add to its inertia when the trip sheet says nothing;
common practice (5 per cent is the allowance of Webb's velocity-head table too)."""


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
    locomotive_resistance_rel: float = 0.15
    """Relative, of the stated resistance of the locomotive itself."""
    curve_N_per_kN_m: float = 698.5501438
    """Curve resistance times radius: 0.8 lb per short ton per degree (AREA), in SI."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """Masses in tonnes; unknown is ``None``, and figures that need it are not made."""

    locomotive_mass_t: float | None = None
    locomotive_rotary: float = DEFAULT_ROTARY
    adhesive_mass_t: float | None = None
    locomotive_resistance: tuple[float, float, float] | None = None
    """A, B, C in N/t, N/t per km/h, N/t per (km/h)²."""
    trailing_mass_t: float | None = None
    """Everything behind the measuring coupler: test car and consist."""
    trailing_rotary: float = DEFAULT_ROTARY
    trailing_length_m: float | None = None
    trailing_axles: int | None = None
    locomotive_length_m: float | None = None
    kind: str = "other"
    assumed: Assumed = field(default_factory=Assumed)


def train_from_sheet(trip: TripSheet | None, *, assumed: Assumed | None = None) -> Train:
    """Collect what a trip sheet says; an absent sheet or table gives ``None`` fields."""
    given = assumed or Assumed()
    if trip is None:
        return Train(assumed=given)
    engine, consist = trip.locomotive, trip.consist
    parts = [v for v in (trip.test_car, consist) if v.mass_t]
    mass = sum(v.mass_t or 0.0 for v in parts)
    turning = sum((v.mass_t or 0.0) * _rotary(v.rotary_allowance) for v in parts)
    return Train(
        locomotive_mass_t=engine.mass_t,
        locomotive_rotary=_rotary(engine.rotary_allowance),
        adhesive_mass_t=engine.adhesive_mass_t,
        locomotive_resistance=engine.resistance,
        locomotive_length_m=engine.length_m,
        # With only the test car's mass the trailing load is not known.
        trailing_mass_t=mass if consist.mass_t else None,
        trailing_rotary=turning / mass if mass > 0.0 else DEFAULT_ROTARY,
        trailing_length_m=sum(v.length_m or 0.0 for v in parts) or None,
        trailing_axles=sum(v.axles or 0 for v in parts) or None,
        kind=engine.kind,
        assumed=given,
    )


def _rotary(stated: float | None) -> float:
    return DEFAULT_ROTARY if stated is None else stated
