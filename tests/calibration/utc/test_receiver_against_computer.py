"""A receiver that lies about what the car sheet states, beside a clock that nobody keeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.utc.utc_judgement import judge_utc
from calibration.utc.utc_witnesses import Standing, UtcEvidence, WitnessKind
from tests.calibration.utc.test_utc_judgement import T0_NS, by_kind, error_s, evidence

NS = 10**9
STATED = {"delay_s": 0.085, "u_delay_s": 0.02}


def stated(held: UtcEvidence, *, checked: bool = False) -> UtcEvidence:
    """With the delay the car sheet states."""
    return replace(held, delay_s=0.085, u_delay_s=0.02, pulses_checked=checked)


@pytest.mark.parametrize("late_s", [0.15, 0.3, 0.7, 1.1])
@pytest.mark.parametrize("computer_s", [-0.005, 0.0, 0.005])
def test_sentences_later_than_stated_are_covered_by_the_computer(
    late_s: float, computer_s: float
) -> None:
    """Its clock is right to some milliseconds, which nobody knows."""
    held = stated(evidence(delay_s=late_s, computer_s=computer_s))
    away, u, judgement = error_s(held)
    assert judgement.known
    assert away <= u
    assert "kept by no time server" in judgement.why


@pytest.mark.parametrize("seed", range(8))
def test_uneven_sentences_do_not_bend_the_tie(seed: int) -> None:
    """Twenty seconds of sentences late by 0.3 s more on average: no crystal runs so."""
    rng = np.random.default_rng(seed)
    held = stated(evidence(n=20))
    held = replace(held, sentence_t_s=np.arange(1.0, 20.0) + 0.085 + rng.exponential(0.3, 19))
    order = np.argsort(held.sentence_t_s)
    held = replace(
        held,
        sentence_t_s=held.sentence_t_s[order],
        sentence_utc_ns=held.sentence_utc_ns[order],
    )
    tie = judge_utc(held)
    t = np.linspace(0.0, 20.0, 41)
    away_s = (tie.utc_ns(t) - T0_NS - np.rint(t * 1e9).astype(np.int64)) / 1e9
    assert np.ptp(away_s) <= 4e-4 * 20.0 + 1e-6
    assert np.all(np.abs(away_s) <= tie.u_s(t))


def test_a_receiver_a_second_late_beside_its_pulses_is_covered() -> None:
    """What it names is the pulse before, and the delay looks like the one that is stated."""
    held = stated(evidence(delay_s=1.085, pulses=True), checked=True)
    away, u, judgement = error_s(held)
    assert away == pytest.approx(1.0, abs=1e-3)
    assert away <= u
    assert "differ by 1.0" in judgement.why


def test_pulses_that_contradict_the_stated_delay_are_told() -> None:
    held = stated(evidence(delay_s=0.285, pulses=True, width_s=0.0), checked=True)
    _, u, judgement = error_s(held)
    assert "by 0.285 s where the car sheet states 0.085 s" in judgement.why
    assert u >= 0.2


def test_kinds_that_jump_together_do_not_disagree() -> None:
    held = evidence(n=21)
    t = np.repeat(held.sentence_t_s, 3) + np.tile([0.0, 0.01, 0.02], 20)
    utc = np.repeat(held.sentence_utc_ns, 3) + 3600 * NS * (t > 10.115)
    kind = np.tile(np.array([b"RMC", b"GGA", b"ZDA"]), 20)
    tie = judge_utc(
        replace(held, sentence_t_s=t, sentence_utc_ns=utc, sentence_kind=kind, **STATED)  # type: ignore[arg-type]  # keys of the record
    )
    (words,) = [w.words for w in tie.judgement.witnesses if w.kind is WitnessKind.RECEIVER]
    assert "RMC" in words
    assert "more" not in words
    assert "off by +3600 s" in words


@pytest.mark.parametrize(("odd_s", "most_u_s"), [(86_400.0, 0.2), (3.0, 4.0)])
def test_a_kind_that_the_computer_contradicts_leaves_nothing_open(
    odd_s: float, most_u_s: float
) -> None:
    """A day off beside a clock set by hand; three seconds off it cannot tell."""
    held = evidence()
    odd = np.where(np.arange(len(held.sentence_t_s)) % 2, b"ZDA", b"RMC").astype("S3")
    utc = held.sentence_utc_ns + round(odd_s * 1e9) * (odd == b"ZDA")
    held = stated(replace(held, sentence_kind=odd, sentence_utc_ns=utc))
    away, u, judgement = error_s(held)
    assert judgement.known
    assert away <= u <= most_u_s
    assert u >= min(odd_s, 0.0 if odd_s > 5.0 else odd_s)
    assert by_kind(judgement)[WitnessKind.RECEIVER] is Standing.DOUBTED
    assert "contradicts itself" in judgement.why


def test_after_a_few_uneven_sentences_time_runs_on_as_a_crystal_does() -> None:
    """Eight seconds of them, then none for a minute: 0.2 s do not become seconds."""
    rng = np.random.default_rng(3)
    t = np.sort(np.repeat(np.arange(1.0, 9.0), 3) + 0.085 + rng.exponential(0.3, 24))
    held = stated(evidence(n=70))
    held = replace(
        held,
        sentence_t_s=t,
        sentence_utc_ns=T0_NS + NS * np.repeat(np.arange(1, 9), 3),
        sentence_kind=np.full(24, b"RMC"),
    )
    tie = judge_utc(held)
    u_s = tie.u_s(np.array([8.0, 70.0]))
    assert u_s[1] < u_s[0] + 0.02


def test_a_few_late_sentences_do_not_bear_out_pulses_by_the_wrong_edge() -> None:
    """Most come before the edge and number it a second high; some come just after it."""
    held = stated(evidence(pulses=True, width_s=0.2), checked=True)
    late = np.where(np.arange(len(held.sentence_t_s)) % 4 == 0, 0.175, 0.0)
    held = replace(held, sentence_t_s=held.sentence_t_s + late)
    away, u, judgement = error_s(held)
    assert away == pytest.approx(0.8, abs=1e-3)
    assert away <= u
    assert judgement.delay_s == pytest.approx(0.9, abs=0.01)
    assert "where the car sheet states 0.085 s" in judgement.why
