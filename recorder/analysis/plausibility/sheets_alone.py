"""What the sheets contradict by themselves, before anything is recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.constants import G_M_S2
from calibration.quantities.sentence import amount, between, say
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.analysis.plausibility.effort import MOST_ADHESION, MOST_POWER
from recorder.analysis.plausibility.numbering import check_sheet_numbers

if TYPE_CHECKING:
    from recorder.sheets import SpecificationSheet, TripSheet
    from recorder.track.route.route import Route

__all__ = ["check_sheets"]

MOST_AXLE_T: Final = 40.0
"""On one axle: the heaviest ore lines carry 40 t (from experience); a mass in pounds shows here."""
LEAST_AXLE_T: Final = 1.5
MOST_LOCOMOTIVE_T: Final = 600.0
"""The heaviest articulated locomotives in working order with their tenders (from memory)."""


def check_sheets(trip: TripSheet, route: Route | None = None) -> list[Checked]:
    """Promises against what is rated, masses against axles, mileposts against the route."""
    return [*_promises(trip), *_masses(trip), *check_sheet_numbers(trip, route)]


def _promises(trip: TripSheet) -> list[Checked]:
    spec = trip.specification
    if spec is None:
        return []
    engine, found = trip.locomotive, []
    power_kW = _greatest_power(spec)
    if engine.rated_power_kW is not None and power_kW > 0.0:
        limit = MOST_POWER * engine.rated_power_kW
        asked, rated = amount(power_kW, "kW", 0), amount(engine.rated_power_kW, "kW")
        said = say(asked, " specified of ", rated, " rated")
        text = say(
            "the specification asks for ",
            asked,
            " at the drawbar of a locomotive rated at ",
            rated,
            "; check the units of [specification] and of the rated power in [locomotive]",
        )
        found.append(_at_most("power specified", said, DoubtKind.POWER, text, power_kW, limit))
    mass = engine.adhesive_mass_t or engine.mass_t
    pull = max([spec.starting_pull_kN or 0.0, *(p for _, p in spec.points)])
    if mass and pull > 0.0:
        share = pull / (mass * G_M_S2)
        asked = amount(pull, "kN", 0)
        said = say(asked, f" is {share:.3f} of the weight, {MOST_ADHESION} at most")
        text = say(
            "a specified pull of ",
            asked,
            f" is {share:.2f} of the weight of ",
            amount(mass, "t"),
            f", rails give {MOST_ADHESION} at most; check the unit of pull and the locomotive's"
            " masses",
        )
        found.append(
            _at_most("pull specified", said, DoubtKind.ADHESION, text, share, MOST_ADHESION)
        )
    return found


def _greatest_power(spec: SpecificationSheet) -> float:
    return max([spec.power_kW or 0.0, *(v * p for v, p in spec.points)])


def _masses(trip: TripSheet) -> list[Checked]:
    """Each mass against its axles; a locomotive against the heaviest there are."""
    found = []
    mass = trip.locomotive.mass_t
    if mass is not None:
        has, most = amount(mass, "t"), amount(MOST_LOCOMOTIVE_T, "t")
        text = say(
            "[locomotive] mass ", has, " is more than any locomotive's, ", most,
            "; check the unit",
        )  # fmt: skip
        said = say(has, ", ", most, " at most")
        found.append(
            _at_most("locomotive mass", said, DoubtKind.MASS, text, mass, MOST_LOCOMOTIVE_T)
        )
    for table, mass_t, axles in (
        ("locomotive", mass, trip.locomotive.axles),
        ("test_car", trip.test_car.mass_t, trip.test_car.axles),
        ("consist", trip.consist.mass_t, trip.consist.axles),
    ):
        if mass_t is not None and axles:
            found.append(_axle(table, mass_t / axles))
    return found


def _axle(table: str, load_t: float) -> Checked:
    name = f"axle load of [{table}]"
    said = say(
        amount(load_t, "t", 1),
        " on an axle, ",
        between(LEAST_AXLE_T, MOST_AXLE_T, "t", joined=" to "),
        " expected",
    )
    if LEAST_AXLE_T <= load_t <= MOST_AXLE_T:
        return Checked(name=name, outcome=said)
    text = say(f"[{table}] has ", said, "; check the unit of its mass, and its axles")
    limit = MOST_AXLE_T if load_t > MOST_AXLE_T else LEAST_AXLE_T
    doubt = Doubt(kind=DoubtKind.MASS, text=text, value=load_t, limit=limit)
    return Checked(name=name, outcome=said, doubt=doubt)


def _at_most(
    name: str, said: str, kind: DoubtKind, text: str, value: float, limit: float
) -> Checked:
    doubt = Doubt(kind=kind, text=text, value=value, limit=limit) if value > limit else None
    return Checked(name=name, outcome=said, doubt=doubt)
