"""No class over forces that nobody measured, nor over readings taken in spite of a doubt."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.figures.condition import State
from calibration.figures.reading_conditions import reading_conditions
from calibration.readings.reading_doubts import Doubt
from calibration.readings.readings import Readings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv


def doubted(at: int, *doubts: Doubt) -> Readings:
    made = parse_readings(iso_csv())
    stood: list[tuple[Doubt, ...]] = [(Doubt.BY_EYE,)] * len(made)
    stood[at] = doubts
    return replace(made, doubts=tuple(stood), accepted_because=("",) * len(made))


def loaded(readings: Readings) -> int:
    return next(
        i for i, force in enumerate(readings.applied) if force > 0.0 and readings.used[i]
    )


def test_a_table_that_says_nothing_of_its_taking_is_asked_nothing() -> None:
    assert reading_conditions(parse_readings(iso_csv()), 1, clause="") == []


def test_readings_without_a_doubt_hold() -> None:
    found = reading_conditions(doubted(0, Doubt.BY_EYE), 1, clause="")
    assert [c.state for c in found] == [State.HELD, State.HELD]


def test_one_force_as_planned_is_enough_against_a_class() -> None:
    at = loaded(parse_readings(iso_csv()))
    measured, undoubted = reading_conditions(doubted(at, Doubt.AS_PLANNED), 1, clause="")
    assert measured.state is State.NOT_HELD
    assert measured.got.startswith("1 reading at the planned force")
    assert undoubted.state is State.HELD


@pytest.mark.parametrize(
    "doubt",
    [Doubt.UNSTABLE, Doubt.OTHER_FORCE, Doubt.OFF_STEP, Doubt.OUT_OF_ORDER, Doubt.SHORT_WAIT],
)
def test_a_reading_taken_in_spite_of_a_doubt_is_against_a_class(doubt: Doubt) -> None:
    at = loaded(parse_readings(iso_csv()))
    measured, undoubted = reading_conditions(doubted(at, doubt), 1, clause="")
    assert measured.state is State.HELD
    assert undoubted.state is State.NOT_HELD
    assert undoubted.got == f"1 reading {doubt}"


def test_what_was_replaced_or_is_of_the_other_sense_is_not_asked() -> None:
    at = loaded(parse_readings(iso_csv()))
    readings = doubted(at, Doubt.AS_PLANNED, Doubt.UNSTABLE)
    assert all(c.state is State.HELD for c in reading_conditions(readings, -1, clause=""))
    superseded = readings.superseded.copy()
    superseded[at] = True
    replaced = replace(readings, superseded=superseded)
    assert all(c.state is State.HELD for c in reading_conditions(replaced, 1, clause=""))
