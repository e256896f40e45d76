"""A rolling resistance below nought is no train's; an honest one is hardly ever taken for that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.plausibility.doubt import Checked, CheckState, DoubtKind
from recorder.analysis.plausibility.doubts import checks_of
from recorder.analysis.plausibility.evidence import Evidence
from recorder.analysis.plausibility.resistance_sign import NAME, check_resistance
from recorder.analysis.series.series import GradeSource, Series
from recorder.analysis.series.train import TrialTrain, Vehicles
from tests.recorder.analysis.drawn_runs import INSTRUMENTS, basis, drawn, make_outing

LIGHT = TrialTrain(trailing=Vehicles(mass_t=400.0, rotary=0.04))


def evidence_of(series: Series, train: TrialTrain, *, zero_u_kN: float = 0.15) -> Evidence:
    instruments = replace(INSTRUMENTS, zero_u_kN=zero_u_kN)
    return Evidence(
        run=basis("run", series, train, instruments), braked=np.zeros(len(series), bool)
    )


def outing(seed: int, *, off_kN: float = 0.0, zero_u_kN: float = 0.15) -> Evidence:
    """A drawn hour of a train of 1000 t whose pull reads too high by so much."""
    run = make_outing(seed).run
    series = replace(run.series, pull_kN=run.series.pull_kN + off_kN)
    return evidence_of(series, run.train, zero_u_kN=zero_u_kN)


def steady(N_per_t: float, minutes: int = 20) -> Series:
    n = minutes * 120
    return drawn(np.full(n, 12.0), np.full(n, 0.4 * N_per_t), step_s=0.5)


def found(evidence: Evidence) -> Checked:
    (checked,) = [c for c in checks_of(evidence) if c.name == NAME]
    return checked


@pytest.mark.slow
def test_honest_outings_are_not_doubted_and_a_zero_far_off_is() -> None:
    n = 60
    honest = [check_resistance(outing(seed), None) for seed in range(n)]
    assert {c.state for c in honest} == {CheckState.PASSED}
    # They resist with 15 to 20 N/t at their slowest.
    wrong = [check_resistance(outing(seed, off_kN=-30.0), None).doubt for seed in range(n)]
    assert sum(d is not None for d in wrong) >= 0.95 * n
    assert all(d.stands and d.kind is DoubtKind.RESISTANCE for d in wrong if d is not None)


def test_a_doubt_says_what_was_got_and_what_to_look_at() -> None:
    checked = found(evidence_of(steady(-6.0), LIGHT))
    assert checked.doubt is not None
    assert "−6.0 ± 0.8 N/t" in checked.doubt.text
    assert "zero of the pull" in checked.doubt.text
    assert "\n" not in checked.doubt.text
    assert checked.doubt.value == pytest.approx(-6.0)
    assert checked.doubt.stands


def test_what_the_zero_may_explain_is_not_doubted() -> None:
    # 0.9 kN of 400 t is 2.25 N/t: three of them reach nought.
    assert found(evidence_of(steady(-6.0), LIGHT, zero_u_kN=0.9)).doubt is None
    assert found(evidence_of(steady(-6.0), LIGHT, zero_u_kN=0.7)).doubt is not None


def test_easy_running_is_not_doubted() -> None:
    assert found(evidence_of(steady(5.0), LIGHT)).state is CheckState.PASSED


def test_it_is_told_where_resistance_is_least() -> None:
    """Fast minutes resist; slow ones give back what nothing gave."""
    n = 20 * 120
    speed = np.repeat([8.0, 25.0], n)
    pull = np.repeat([-4.0, 12.0], n)
    evidence = evidence_of(drawn(speed, pull, step_s=0.5), LIGHT)
    checked = check_resistance(evidence, None)
    assert checked.doubt is not None
    assert checked.doubt.value == pytest.approx(-10.0, abs=0.1)


def test_brakes_that_nobody_keyed_hide_nothing_of_the_rest() -> None:
    series = steady(-6.0)
    series.pull_kN[: 6 * 120] += 60.0
    assert found(evidence_of(series, LIGHT)).doubt is not None


@pytest.mark.parametrize(
    ("series", "train", "why"),
    [
        (replace(steady(-6.0), grade_source=GradeSource.UNKNOWN), LIGHT, "the grade is not"),
        (steady(-6.0), TrialTrain(), "the trailing mass is not"),
        (steady(-6.0, minutes=7), LIGHT, "7 whole minutes of free running, 8 needed"),
    ],
)
def test_what_is_not_known_is_not_checked(series: Series, train: TrialTrain, why: str) -> None:
    checked = found(evidence_of(series, train))
    assert checked.state is CheckState.NOT_CHECKED
    assert why in checked.outcome


def test_a_pull_of_the_wrong_sign_is_doubted_for_that_alone() -> None:
    turned = outing(1)
    series = replace(turned.run.series, pull_kN=-turned.run.series.pull_kN)
    evidence = evidence_of(series, turned.run.train)
    kinds = {c.doubt.kind for c in checks_of(evidence) if c.doubt is not None}
    assert kinds == {DoubtKind.PULL_SIGN}
    assert check_resistance(evidence, None).doubt is not None
