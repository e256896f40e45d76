"""Locomotive, test car and train in a line each, as the sheets state them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.quantities.sentence import amount, say

if TYPE_CHECKING:
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.sheets import CarSheet, LocomotiveSheet, TripSheet

__all__ = ["car_words", "locomotive_words", "train_words"]


def locomotive_words(engine: LocomotiveSheet | None, units: ShownUnits) -> str:
    """Name, kind, masses, axles, what it is rated at."""
    if engine is None:
        return "not stated ([locomotive] in the trip sheet)"
    told = [engine.name or "not named ([locomotive] name)"]
    told += [] if engine.kind == "other" else [engine.kind]
    told.append(
        "mass not stated ([locomotive] mass_t)"
        if engine.mass_t is None
        else say(amount(engine.mass_t, "t", 0))
    )
    if engine.adhesive_mass_t is not None:
        told.append(say("adhesive ", amount(engine.adhesive_mass_t, "t", 0)))
    if engine.axles is not None:
        told.append(f"{engine.axles} axles")
    if engine.rated_power_kW is not None:
        told.append(say("rated ", amount(engine.rated_power_kW, "kW", 0)))
    return ", ".join(units.words(words) for words in told)


def car_words(car: CarSheet | None, trip: TripSheet | None, units: ShownUnits) -> str:
    """Name and number by the car sheet, mass by the trip sheet."""
    sheet = None if trip is None else trip.test_car
    name = f"{car.name} {car.number}".strip() if car is not None else ""
    name = name or (sheet.name if sheet is not None else "")
    told = [name or "not stated ([test_car] name)"]
    if sheet is not None and sheet.mass_t is not None:
        told.append(say(amount(sheet.mass_t, "t", 0)))
    if sheet is not None and sheet.axles is not None:
        told.append(f"{sheet.axles} axles")
    return ", ".join(units.words(words) for words in told)


def train_words(trip: TripSheet | None, units: ShownUnits) -> str:
    """What trails behind the test car."""
    consist = None if trip is None else trip.consist
    if consist is None or consist.mass_t is None:
        return "not stated ([consist] in the trip sheet)"
    cars = "; ".join(f"{c.count} {c.name or 'cars'}" for c in consist.cars)
    if not cars and consist.count:
        cars = f"{consist.count} cars"
    told = [cars] if cars else []
    told.append(say(amount(consist.mass_t, "t", 0)))
    if consist.length_m is not None:
        told.append(say(amount(consist.length_m, "m", 0)))
    if consist.axles is not None:
        told.append(f"{consist.axles} axles")
    return ", ".join(units.words(words) for words in told)
