"""UTC by witnesses: drawn coverage, every known lie by name, and what is told of it."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.utc.utc_judgement import judge_utc
from calibration.utc.utc_witnesses import (
    Standing,
    UtcEvidence,
    UtcJudgement,
    WitnessKind,
)
from tests.calibration.utc.drawn_witnesses import (
    BUILT_NS,
    COMPUTERS,
    DAY_S,
    HONEST,
    LIES,
    NS,
    Drawn,
    draw,
)

ROUNDS = 2
"""Draws of every receiver beside every computer."""
T0_NS = int(datetime(2026, 12, 3, 9, 30, tzinfo=UTC).timestamp()) * NS


def evidence(
    *,
    delay_s: float = 0.1,
    wrong_s: float = 0.0,
    computer_s: float | None = 0.0,
    kept_s: float = np.nan,
    pulses: bool = False,
    width_s: float = 0.0,
    n: int = 120,
    **stated: object,
) -> UtcEvidence:
    """A run of two minutes: sentences late by ``delay_s`` and wrong by ``wrong_s``."""
    t = np.arange(1.0, n)
    held = UtcEvidence(
        sentence_t_s=t + delay_s,
        sentence_utc_ns=T0_NS + np.rint((t + wrong_s) * 1e9).astype(np.int64),
        sentence_kind=np.full(len(t), b"RMC"),
        pulse_t_s=t + width_s if pulses else np.empty(0),
        built_ns=BUILT_NS,
        **stated,  # type: ignore[arg-type]  # keys of the record
    )
    if computer_s is None:
        return held
    return replace(
        held,
        computer_t_s=np.arange(0.0, n),
        computer_utc_ns=T0_NS
        + np.rint((np.arange(0.0, n) + computer_s) * 1e9).astype(np.int64),
        computer_error_s=kept_s,
    )


def error_s(held: UtcEvidence) -> tuple[float, float, UtcJudgement]:
    """Greatest error, standard uncertainty there, and the judgement."""
    tie = judge_utc(held)
    t = np.linspace(0.0, 120.0, 25)
    away = (tie.utc_ns(t) - T0_NS - np.rint(t * 1e9).astype(np.int64)) / 1e9
    return float(np.abs(away).max()), float(np.min(tie.u_s(t))), tie.judgement


def by_kind(judgement: UtcJudgement) -> dict[WitnessKind, Standing]:
    return {w.kind: w.standing for w in judgement.witnesses}


def drift_s(drawn: Drawn, t: np.ndarray) -> np.ndarray:
    """What the computer's oscillator truly gained or lost by (n,) run times."""
    held = drawn.evidence
    read = held.computer_utc_ns
    return np.asarray(
        np.interp(t, held.computer_t_s, (read - read[0]) / 1e9 - held.computer_t_s)
    )


@pytest.mark.slow
def test_stated_intervals_hold_the_truth_and_no_liar_is_stated_below_its_error() -> None:
    """228 drawn runs, honest and lying receivers beside six kinds of computer's clocks."""
    rng = np.random.default_rng(20)
    held, known, below, n = 0, 0, [], 0
    answered: Counter[str] = Counter()
    for name in (*HONEST, *LIES):
        for computer in COMPUTERS * ROUNDS:
            drawn = draw(rng, name, computer)
            n += 1
            tie = judge_utc(drawn.evidence)
            if not tie.judgement.known:
                assert np.isnan(tie.u_s(np.zeros(1))).all()
                assert tie.judgement.why
                continue
            known += 1
            answered["kept"] += computer == "kept"
            answered["hand set, honest"] += computer == "hand set" and name in HONEST
            t = np.linspace(0.0, drawn.duration_s, 50)
            true_ns = drawn.true0_ns + np.rint((t + drift_s(drawn, t)) * 1e9).astype(np.int64)
            away_s = np.abs((tie.utc_ns(t) - true_ns) / 1e9)
            u_s = tie.u_s(t)
            held += bool(np.all(away_s <= 2.0 * u_s))
            if drawn.liar and np.any(away_s > u_s):
                below.append((name, computer, away_s.max(), u_s.max()))
    assert n >= 200
    # Withholding everything would cover everything: who can be answered must be.
    assert answered["kept"] == len((*HONEST, *LIES)) * ROUNDS
    assert answered["hand set, honest"] == len(HONEST) * ROUNDS
    assert held / known >= 0.95
    assert below == []


@pytest.mark.slow
def test_an_honest_car_knows_its_time() -> None:
    """Withholding everything would cover everything: honest witnesses must come to an answer."""
    rng = np.random.default_rng(21)
    for name in HONEST:
        for _ in range(10):
            tie = judge_utc(draw(rng, name, "kept").evidence)
            assert tie.judgement.known
            assert tie.u_s(np.zeros(1))[0] < 0.25


def test_pulses_checked_with_a_kept_clock_are_good_to_a_millisecond() -> None:
    held = evidence(pulses=True, kept_s=0.02, pulses_checked=True, delay_s=0.1, computer_s=0.01)
    away, u, judgement = error_s(held)
    assert away < 0.001
    assert u < 0.001
    assert judgement.known
    assert not judgement.contradicted
    assert judgement.delay_s == pytest.approx(0.1, abs=1e-6)


@pytest.mark.parametrize("delay_s", [0.2, 0.7, 1.2])
def test_sentences_late_by_up_to_more_than_a_second_are_covered(delay_s: float) -> None:
    away, u, judgement = error_s(evidence(delay_s=delay_s))
    assert judgement.known
    assert away <= u
    assert "delay_s" in judgement.why


def test_a_stated_delay_is_taken_and_pulses_bear_it_out() -> None:
    stated = {"delay_s": 0.1, "u_delay_s": 0.005}
    away, u, judgement = error_s(replace(evidence(delay_s=0.103), **stated))  # type: ignore[arg-type]  # keys of the record
    assert judgement.known
    assert away <= 0.0031
    assert 0.0031 <= u < 0.02
    away, u, _ = error_s(replace(evidence(delay_s=0.103, pulses=True), **stated))  # type: ignore[arg-type]  # keys of the record
    assert away < 0.001
    # The other edge of a short pulse would not show in the delay.
    assert u == pytest.approx(0.02, abs=0.001)


def test_a_stated_delay_that_pulses_contradict_is_covered() -> None:
    held = replace(evidence(delay_s=0.6, pulses=True, width_s=0.2), delay_s=0.6, u_delay_s=0.01)
    away, u, judgement = error_s(held)
    assert away <= u
    assert "edge" in judgement.why


@pytest.mark.parametrize("wrong_s", [18.0, -14.0, 1.0])
def test_whole_seconds_are_covered_by_the_difference_to_the_computer(wrong_s: float) -> None:
    away, u, judgement = error_s(evidence(wrong_s=wrong_s))
    assert judgement.known
    assert away <= u
    if abs(wrong_s) > 3.0:
        assert by_kind(judgement)[WitnessKind.RECEIVER] is Standing.DOUBTED
        assert "leap seconds" in judgement.why


@pytest.mark.parametrize("days", [-7160, -2600, 400])
def test_another_date_than_the_computers_is_no_time(days: int) -> None:
    """A capture of another year is not believed, and not called sound."""
    _, u, judgement = error_s(evidence(wrong_s=days * DAY_S))
    assert not judgement.known
    assert np.isnan(u)
    assert judgement.contradicted
    assert ("before this version" if days < 0 else "days") in judgement.why


@pytest.mark.parametrize(("days", "words"), [(-7168, "1024 weeks"), (1, "+1 days")])
def test_a_rollover_and_a_day_ahead_are_put_right_where_a_server_carries_the_day(
    days: int, words: str
) -> None:
    away, u, judgement = error_s(evidence(wrong_s=days * DAY_S, kept_s=0.02))
    assert judgement.known
    assert away <= u < 3.0
    assert words in judgement.why
    assert by_kind(judgement)[WitnessKind.RECEIVER] is Standing.DOUBTED


def test_the_wrong_edge_is_covered_until_it_is_checked() -> None:
    away, u, judgement = error_s(evidence(pulses=True, width_s=0.2, delay_s=0.6))
    assert away == pytest.approx(0.2, abs=1e-3)
    assert away <= u
    assert "edge" in judgement.why


def test_a_sentence_after_the_next_pulse_does_not_number_it_for_sure() -> None:
    away, u, judgement = error_s(evidence(pulses=True, delay_s=1.1))
    assert away == pytest.approx(1.0, abs=1e-3)
    assert away <= u
    assert "the pulse before" in judgement.why
    # A fix is as late as the second it is of is unsure.
    assert judgement.u_delay_s >= away


def test_a_kept_clock_numbers_the_pulses_right() -> None:
    away, u, judgement = error_s(
        evidence(pulses=True, pulses_checked=True, delay_s=1.1, kept_s=0.02)
    )
    assert away <= u < 0.1
    assert judgement.corrected_s == 1.0 or judgement.corrected_s == -1.0


def test_kinds_that_disagree_are_told_and_covered() -> None:
    held = evidence()
    odd = np.where(np.arange(len(held.sentence_t_s)) % 2, b"ZDA", b"RMC").astype("S3")
    utc = held.sentence_utc_ns + NS * (odd == b"ZDA")
    away, u, judgement = error_s(replace(held, sentence_kind=odd, sentence_utc_ns=utc))
    assert judgement.known
    assert away <= u
    assert "ZDA" in " ".join(judgement.in_words)


def test_a_computer_at_its_battery_date_is_refuted_and_the_day_must_come_from_the_sheet() -> (
    None
):
    dead = evidence(computer_s=-500.0 * DAY_S)
    assert not judge_utc(dead).judgement.known
    day = T0_NS // (DAY_S * NS) * DAY_S * NS
    with_day = replace(dead, trip_ns=(day, day + DAY_S * NS))
    away, u, judgement = error_s(with_day)
    assert judgement.known
    assert away <= u
    assert by_kind(judgement)[WitnessKind.COMPUTER] is Standing.REFUTED


def test_a_sheet_with_yesterdays_date_is_the_one_that_is_doubted() -> None:
    day = T0_NS // (DAY_S * NS) * DAY_S * NS - DAY_S * NS
    _, _, judgement = error_s(evidence(trip_ns=(day, day + DAY_S * NS)))
    assert judgement.known
    assert by_kind(judgement)[WitnessKind.TRIP] is Standing.DOUBTED


@pytest.mark.parametrize("days", [-1, 1])
def test_a_sheet_that_allows_both_days_carries_neither(days: int) -> None:
    """Half an hour before midnight the receiver is right, and the computer a day off."""
    midnight = T0_NS + 1800 * NS
    allowed = (midnight - (DAY_S + 2 * 3600) * NS, midnight + 2 * 3600 * NS)
    held = evidence(computer_s=days * DAY_S, trip_ns=allowed)
    away, u, judgement = error_s(held)
    assert not judgement.known or away <= u


def test_no_receiver_and_no_time_server_is_no_utc() -> None:
    held = replace(
        evidence(),
        sentence_t_s=np.empty(0),
        sentence_utc_ns=np.empty(0, np.int64),
        sentence_kind=np.empty(0, "S3"),
    )
    _, u, judgement = error_s(held)
    assert not judgement.known
    assert np.isnan(u)
    away, u, judgement = error_s(replace(held, computer_error_s=0.05))
    assert judgement.known
    assert u == pytest.approx(0.05)
    assert away < 1e-6


def test_a_sleep_of_the_machine_moves_utc_and_not_the_witnesses() -> None:
    held = evidence(kept_s=0.02)
    slept = 40.0
    after = held.sentence_t_s > 60.0
    utc = held.sentence_utc_ns + round(slept * 1e9) * after
    computer = held.computer_utc_ns + round(slept * 1e9) * (held.computer_t_s > 60.0)
    tie = judge_utc(
        replace(held, sentence_utc_ns=utc, computer_utc_ns=computer, sleeps=((60.5, slept),))
    )
    assert tie.judgement.known
    assert not tie.judgement.contradicted
    at = tie.utc_ns(np.array([10.0, 100.0]))
    assert (at[1] - at[0]) / 1e9 == pytest.approx(90.0 + slept, abs=0.01)


def test_simulated_time_has_no_computer_for_a_witness() -> None:
    judgement = judge_utc(evidence(computer_s=1e6, simulated=True)).judgement
    assert judgement.known
    assert "simulated" in judgement.why


def test_a_judgement_there_and_back() -> None:
    judgement = judge_utc(evidence(wrong_s=18.0)).judgement
    again = UtcJudgement.from_dict(json.loads(json.dumps(judgement.to_dict())))
    assert replace(again, delay_s=0.0) == replace(judgement, delay_s=0.0)
    assert again.in_words == judgement.in_words


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 1e5),
            st.integers(-(2**62), 2**62),
            st.sampled_from(["RMC", "ZDA", "GGA", "X"]),
        ),
        max_size=40,
    ),
    st.lists(st.floats(-10.0, 1e5), max_size=20),
    st.lists(st.tuples(st.floats(0.0, 1e5), st.integers(-(2**62), 2**62)), max_size=20),
    st.none() | st.tuples(st.integers(-(2**62), 2**62), st.integers(-(2**62), 2**62)),
)
def test_whatever_they_say_a_tie_comes_of_it(
    sentences: list[tuple[float, int, str]],
    pulses: list[float],
    computer: list[tuple[float, int]],
    trip: tuple[int, int] | None,
) -> None:
    sentences.sort()
    computer.sort()
    tie = judge_utc(
        UtcEvidence(
            sentence_t_s=np.array([t for t, _, _ in sentences], np.float64),
            sentence_utc_ns=np.array([u for _, u, _ in sentences], np.int64),
            sentence_kind=np.array([k.encode() for _, _, k in sentences], "S3"),
            pulse_t_s=np.array(pulses, np.float64),
            computer_t_s=np.array([t for t, _ in computer], np.float64),
            computer_utc_ns=np.array([u for _, u in computer], np.int64),
            trip_ns=trip,
        )
    )
    t = np.array([0.0, 50.0, 1e5])
    assert tie.utc_ns(t).dtype == np.int64
    u_s = tie.u_s(t)
    assert tie.judgement.known == bool(np.isfinite(u_s).all())
    assert all(words for words in tie.judgement.in_words)


@pytest.mark.parametrize(
    ("wrong_s", "error_s_"), [(18.0, 9.2), (-14.0, 7.2), (1.0, 0.51), (30.0, 16.0)]
)
def test_a_server_long_unheard_confirms_no_second(wrong_s: float, error_s_: float) -> None:
    """A kernel's own account of error grows for hours after the server was last heard."""
    held = replace(evidence(wrong_s=wrong_s, kept_s=error_s_), delay_s=0.1, u_delay_s=0.02)
    away, u, _ = error_s(held)
    assert away <= u


@pytest.mark.parametrize("account_s", [0.0, -5.0, np.inf])
def test_an_account_of_no_error_is_no_exact_clock(account_s: float) -> None:
    held = evidence(kept_s=account_s, computer_s=0.15)
    _, u, judgement = error_s(held)
    assert judgement.known
    assert u > 0.0
    none = replace(
        held,
        sentence_t_s=np.empty(0),
        sentence_utc_ns=np.empty(0, np.int64),
        sentence_kind=np.empty(0, "S3"),
    )
    _, u, judgement = error_s(none)
    assert (judgement.known and u > 0.0) or np.isnan(u)


def test_a_day_is_not_covered_but_not_known() -> None:
    held = evidence(n=600)
    late = held.sentence_t_s > 400.0
    odd = replace(held, sentence_utc_ns=held.sentence_utc_ns + DAY_S * NS * late)
    tie = judge_utc(odd)
    u_s = tie.u_s(np.zeros(1))[0]
    assert not tie.judgement.known or u_s <= 120.0
