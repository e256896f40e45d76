"""No class over forces that nobody measured, nor over readings taken in spite of a doubt."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.doubts.doubt import DoubtKind
from calibration.doubts.doubtful_rows import doubtful_rows
from calibration.figures.condition import Condition, State
from calibration.figures.reading_conditions import reading_conditions
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.load_series import load_series
from calibration.readings.reading_doubts import Doubt
from calibration.readings.readings import Readings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv

PLAIN = parse_readings(iso_csv())
KEPT = replace(PLAIN, columns=PLAIN.columns | {"doubts"})
"""The same, where a guided session had nothing against any."""


def judged(readings: Readings, **facts: object) -> tuple[Condition, Condition]:
    measured, undoubted = reading_conditions(
        load_series(readings, 1), readings, BenchSettings.from_document(facts), clause=""
    )
    return measured, undoubted


def doubted(at: int, *doubts: Doubt) -> Readings:
    stood: list[tuple[Doubt, ...]] = [()] * len(KEPT)
    stood[at] = doubts
    return replace(KEPT, doubts=tuple(stood), accepted_because=("",) * len(KEPT))


LOADED = next(i for i, force in enumerate(PLAIN.applied) if force > 0.0 and PLAIN.used[i])


def test_of_a_plain_table_it_is_not_known_until_it_is_stated() -> None:
    for condition, fact in zip(
        judged(PLAIN), ("forces_measured", "readings_stood_still"), strict=True
    ):
        assert condition.state is State.NOT_KNOWN
        assert fact in condition.to_know
    stated = judged(PLAIN, forces_measured=True, readings_stood_still=True)
    assert [c.state for c in stated] == [State.HELD, State.HELD]
    denied = judged(PLAIN, forces_measured=False, readings_stood_still=False)
    assert [c.state for c in denied] == [State.NOT_HELD, State.NOT_HELD]


def test_a_session_without_a_doubt_holds_and_shows_it_and_its_document_too() -> None:
    for readings in (KEPT, Readings.from_document(KEPT.to_document())):
        assert [c.state for c in judged(readings)] == [State.HELD, State.HELD]
    again = Readings.from_document(PLAIN.to_document())
    assert [c.state for c in judged(again)] == [State.NOT_KNOWN, State.NOT_KNOWN]


@pytest.mark.parametrize("stated", [{}, {"forces_measured": True}])
def test_one_force_as_planned_is_enough_against_a_class(stated: dict[str, bool]) -> None:
    measured, undoubted = judged(doubted(LOADED, Doubt.AS_PLANNED), **stated)
    assert measured.state is State.NOT_HELD
    assert measured.got.startswith("1 reading at the planned force")
    assert undoubted.state is State.HELD


@pytest.mark.parametrize("doubt", [d for d in Doubt if d is not Doubt.AS_PLANNED])
def test_every_doubt_is_told_and_against_a_class(doubt: Doubt) -> None:
    measured, undoubted = judged(doubted(LOADED, doubt))
    assert measured.state is State.HELD
    assert undoubted.state is (State.NOT_HELD if doubt.bars_class else State.NOT_KNOWN)
    assert undoubted.got == f"1 reading {doubt}"


@pytest.mark.parametrize("doubt", [d for d in Doubt if d is not Doubt.AS_PLANNED])
def test_a_word_stands_for_the_eye_and_for_nothing_else(doubt: Doubt) -> None:
    _, undoubted = judged(doubted(LOADED, doubt), readings_stood_still=True)
    assert undoubted.got.startswith(f"1 reading {doubt}")
    assert undoubted.state is (State.HELD if doubt is Doubt.BY_EYE else State.NOT_HELD)


def test_only_a_reading_by_eye_leaves_a_class_open() -> None:
    assert [doubt for doubt in Doubt if not doubt.bars_class] == [Doubt.BY_EYE]


def test_what_was_replaced_or_is_of_the_other_sense_is_not_asked() -> None:
    readings = doubted(LOADED, Doubt.AS_PLANNED, Doubt.UNSTABLE)
    assert all(c.state is State.NOT_HELD for c in judged(readings))
    applied = readings.applied.copy()
    applied[LOADED] *= -1.0
    assert all(c.state is State.HELD for c in judged(replace(readings, applied=applied)))
    superseded = readings.superseded.copy()
    superseded[LOADED] = True
    assert all(c.state is State.HELD for c in judged(replace(readings, superseded=superseded)))


@pytest.mark.parametrize("readings", [PLAIN, KEPT], ids=["plain", "of a session"])
def test_a_row_accepted_in_spite_of_doubt_keeps_every_class(readings: Readings) -> None:
    off = readings.reading.copy()
    off[LOADED + 4] *= 1.02
    row = int(readings.row[LOADED + 4])
    measured, undoubted = judged(
        replace(readings, reading=off), accepted_rows=[row], accepted_reason="press slipped",
        forces_measured=True, readings_stood_still=True,
    )  # fmt: skip
    assert measured.state is State.HELD
    assert undoubted.state is State.NOT_HELD
    assert undoubted.got.startswith("1 row accepted in spite of doubt")


def test_a_range_accepted_bare_below_its_lowest_force_keeps_none() -> None:
    """From two fifths of the largest force on, as a class may begin; the readings are good."""
    upper = PLAIN.pick((PLAIN.applied == 0.0) | (PLAIN.applied >= 200.0))
    (doubt,) = doubtful_rows(upper)
    assert doubt.kind is DoubtKind.COVERAGE
    facts = {
        "accepted_rows": list(doubt.rows), "accepted_reason": "used above 200 kN alone",
        "readings_stood_still": True,
    }  # fmt: skip
    assert judged(upper, **facts)[1].state is State.HELD
    off = upper.reading.copy()
    off[upper.row == doubt.rows[0]] *= 1.05
    assert judged(replace(upper, reading=off), **facts)[1].state is State.NOT_HELD
