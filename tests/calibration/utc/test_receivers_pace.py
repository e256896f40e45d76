"""Sentences whose pace is not the computer's, or uneven: told, and no jump is taken for one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.utc.utc_judgement import judge_utc
from tests.calibration.utc.drawn_witnesses import NS
from tests.calibration.utc.test_utc_judgement import T0_NS, evidence


@pytest.mark.parametrize("pace", [1.08, 1.01, 0.95])
def test_seconds_that_run_fast_against_the_computer_are_no_utc(pace: float) -> None:
    held = evidence(n=120)
    second = np.arange(1, 120)
    fast = replace(
        held,
        sentence_t_s=second / pace + 0.1,
        sentence_utc_ns=T0_NS + second.astype(np.int64) * NS,
    )
    judgement = judge_utc(fast).judgement
    assert not judgement.known
    assert judgement.fast_by == pytest.approx(pace - 1.0, abs=0.004)
    assert "simulated" in judgement.why


@pytest.mark.parametrize("jump_s", [18.0, -14.0, 3600.0])
@pytest.mark.parametrize("at", [0.2, 0.5, 0.8])
def test_a_jump_is_no_pace(jump_s: float, at: float) -> None:
    held = evidence(n=200)
    late = held.sentence_t_s > at * 200.0
    odd = held.sentence_utc_ns + round(jump_s * 1e9) * late
    assert judge_utc(replace(held, sentence_utc_ns=odd)).judgement.fast_by == 0.0


@pytest.mark.parametrize("at", [(1.0, 4.0), (60.0, 75.0), (110.0, 119.0)])
def test_sentences_that_were_held_up_are_not_the_receivers_lie(at: tuple[float, float]) -> None:
    """Those of some seconds came two seconds late: they say less, and nobody blames who sent."""
    held = evidence(n=120)
    t = held.sentence_t_s
    late = (t > at[0]) & (t < at[1])
    t = np.maximum.accumulate(np.where(late, t + 2.0, t))
    judgement = judge_utc(replace(held, sentence_t_s=t)).judgement
    assert judgement.known
    assert "contradicts itself within" not in judgement.why


def test_uneven_sentences_and_too_few_pulses_are_told() -> None:
    rng = np.random.default_rng(5)
    held = replace(evidence(n=40), delay_s=0.1, u_delay_s=0.02)
    t = np.sort(held.sentence_t_s + rng.exponential(0.4, len(held.sentence_t_s)))
    uneven = replace(held, sentence_t_s=t, pulse_t_s=np.array([3.0]))
    judgement = judge_utc(uneven).judgement
    assert judgement.known
    # Which of the two keeps the uncertainty where it is depends on the draw; one of them is said.
    assert "unevenly" in judgement.why or "differ by" in judgement.why
    assert "only 1 came" in " ".join(w.words for w in judgement.witnesses)
