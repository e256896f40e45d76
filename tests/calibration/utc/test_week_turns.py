"""Dates in the wrong turn of 1024 weeks: put right by whom, and told; others are left alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.utc.computer_line import computer_line
from calibration.utc.utc_judgement import judge_utc
from calibration.utc.utc_witnesses import Standing, UtcEvidence, WitnessKind
from calibration.utc.week_turns import in_right_turn
from tests.calibration.utc.drawn_witnesses import BUILT_NS, DAY_S, NS
from tests.calibration.utc.test_utc_judgement import T0_NS, by_kind, error_s, evidence

TURN_DAYS = 1024 * 7
DAY_NS = DAY_S * NS


def ns(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS


def one_day(at_ns: int) -> tuple[int, int]:
    first = at_ns // DAY_NS * DAY_NS
    return first, first + DAY_NS


def said(sentence: str, *, computer: str = "", trip: str = "") -> UtcEvidence:
    """Three sentences from an instant on, beside a computer and a sheet that say others."""
    t = np.arange(3.0)
    step = (t * 1e9).astype(np.int64)
    held = UtcEvidence(
        sentence_t_s=t,
        sentence_utc_ns=ns(sentence) + step,
        sentence_kind=np.full(3, b"RMC"),
        built_ns=BUILT_NS,
        trip_ns=one_day(ns(trip)) if trip else None,
    )
    if not computer:
        return held
    return replace(held, computer_t_s=t, computer_utc_ns=ns(computer) + step)


@pytest.mark.parametrize(
    ("sentence", "computer", "trip", "expected", "turns"),
    [
        # Week 0 began on 1980-01-06, week 2048 on 2019-04-07: one turn, and two, read too low.
        ("2007-04-11T12:00:00", "2026-11-25T12:00:40", "", "2026-11-25T12:00:00", 1),
        ("1987-08-26T12:00:00", "2026-11-25T12:00:40", "", "2026-11-25T12:00:00", 2),
        # After the turn of November 2038 a receiver still counts from the turn of 2019.
        ("2019-04-07T12:00:00", "2038-11-22T08:00:00", "", "2038-11-21T12:00:00", 1),
        # The computer's clock is dead: the sheet's day says it.
        ("2007-04-11T12:00:00", "1970-01-01T00:00:05", "2026-11-25", "2026-11-25T12:00:00", 1),
        ("2007-04-11T12:00:00", "", "2026-11-25", "2026-11-25T12:00:00", 1),
        # Nobody says it.
        ("2007-04-11T12:00:00", "1970-01-01T00:00:05", "", "2007-04-11T12:00:00", 0),
        # An old record played again, and a date wrong in another way, are no turn.
        ("2024-09-14T12:00:00", "2026-11-25T12:00:00", "", "2024-09-14T12:00:00", 0),
        ("2006-11-25T12:00:00", "2026-11-25T12:00:00", "", "2006-11-25T12:00:00", 0),
        # The computer is a turn ahead, the receiver on the sheet's day.
        ("2026-11-25T12:00:00", "2046-07-11T12:00:00", "2026-11-25", "2026-11-25T12:00:00", 0),
    ],
)
def test_the_turn_is_the_one_of_another_witness(
    sentence: str, computer: str, trip: str, expected: str, turns: int
) -> None:
    held = said(sentence, computer=computer, trip=trip)
    moved, by = in_right_turn(held, computer_line(held.computer_t_s, held.computer_utc_ns))
    assert moved.sentence_utc_ns[0] == ns(expected)
    assert by == turns


@pytest.mark.parametrize("computer_s", [0.0, 40.0, -40.0])
@pytest.mark.parametrize("turns", [1, 2])
def test_a_clock_set_by_hand_is_enough_to_tell_the_turn(computer_s: float, turns: int) -> None:
    """That both agree but for whole turns is no chance: the second is borne out as ever."""
    honest = error_s(evidence(computer_s=computer_s))
    away, u, judgement = error_s(
        evidence(computer_s=computer_s, wrong_s=-turns * TURN_DAYS * DAY_S)
    )
    assert judgement.known
    assert away == pytest.approx(honest[0], abs=1e-6)
    assert away <= u
    assert u >= honest[1]
    assert "of 1024 weeks" in judgement.why
    assert by_kind(judgement)[WitnessKind.RECEIVER] is Standing.DOUBTED
    assert judgement.corrected_s == turns * TURN_DAYS * DAY_S


def test_with_a_dead_computer_the_sheets_day_tells_the_turn() -> None:
    held = evidence(computer_s=-5000.0 * DAY_S, wrong_s=-TURN_DAYS * DAY_S)
    assert not judge_utc(held).judgement.known
    away, u, judgement = error_s(replace(held, trip_ns=one_day(T0_NS)))
    assert judgement.known
    assert away <= u
    assert judgement.contradicted


@pytest.mark.parametrize("kept_s", [np.nan, 0.03])
def test_a_computer_a_turn_ahead_does_not_carry_the_receiver_with_it(kept_s: float) -> None:
    """The sheet's day is a turn after what the receiver says: a server may count weeks wrongly."""
    turn_s = TURN_DAYS * DAY_S
    held = evidence(wrong_s=-turn_s, computer_s=turn_s, kept_s=kept_s, pulses=True)
    away, u, judgement = error_s(replace(held, trip_ns=one_day(T0_NS)))
    assert judgement.known
    assert away <= u
    assert by_kind(judgement)[WitnessKind.COMPUTER] is Standing.REFUTED


def test_a_date_that_can_be_is_not_moved_by_a_clock_nobody_keeps() -> None:
    """The computer is a turn ahead, and twenty seconds: nobody says which of the two is right."""
    held = evidence(computer_s=TURN_DAYS * DAY_S + 20.0)
    judgement = judge_utc(held).judgement
    assert not judgement.known
    assert in_right_turn(held, computer_line(held.computer_t_s, held.computer_utc_ns))[1] == 0


def test_a_receiver_that_turns_over_within_the_run_is_followed() -> None:
    held = evidence()
    late = held.sentence_t_s > 60.0
    turned = replace(held, sentence_utc_ns=held.sentence_utc_ns - TURN_DAYS * DAY_S * NS * late)
    away, u, judgement = error_s(turned)
    assert judgement.known
    assert away <= u < 5.0
    assert "of 1024 weeks" in judgement.why


@given(
    st.integers(0, 3),
    st.floats(-2.0 * TURN_DAYS, 2.0 * TURN_DAYS),
    st.floats(0.0, 86_000.0),
)
def test_only_whole_turns_are_moved_and_only_forward(
    turns: int, computer_days: float, within_s: float
) -> None:
    held = evidence(
        wrong_s=within_s - turns * TURN_DAYS * DAY_S, computer_s=computer_days * DAY_S
    )
    moved, by = in_right_turn(held, computer_line(held.computer_t_s, held.computer_utc_ns))
    apart = moved.sentence_utc_ns - held.sentence_utc_ns
    assert np.all(apart == by * TURN_DAYS * DAY_NS)
    assert by >= 0
