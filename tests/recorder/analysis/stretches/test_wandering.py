"""The wander of a run in its stretches, above all where the run is too short to show one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from recorder.analysis.specification.verdicts import Verdict, judge_margin
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.stretches.wandering import with_wander
from recorder.analysis.uncertainty.causes import CauseKind
from tests.recorder.analysis.admission.trials import SPECIFICATION, TRAIN, full, results_of
from tests.recorder.analysis.drawn_runs import drawn, drawn_run

STEP_S = 1.0
SECONDS = 150


def short_run(seed: int, *, tau_s: float, size: float) -> list[StretchResult]:
    """About twenty seconds admitted at full throttle, exactly at specification but for a wander
    (Ornstein-Uhlenbeck, by its exact recursion)."""
    rng = np.random.default_rng(seed)
    kept = math.exp(-STEP_S / tau_s)
    kicks = rng.normal(0.0, size * math.sqrt(1.0 - kept**2), SECONDS)
    kicks[0] = rng.normal(0.0, size)
    share = 1.0 + lfilter([1.0], [1.0, -kept], kicks)
    speed = 12.0 + np.zeros(SECONDS)
    marks = full(50.0, closed_s=110.0)
    results = results_of(speed, share, *marks, train=TRAIN, seed=seed)
    run = drawn_run(drawn(speed, SPECIFICATION.limits_kN(speed), step_s=STEP_S), *marks)
    return with_wander(run, results, SPECIFICATION)[0]


def test_a_run_too_short_to_show_a_wander_is_less_sure_for_it() -> None:
    """A standard uncertainty of a per cent and more, of few degrees of freedom."""
    (judged,) = [r for r in short_run(1, tau_s=120.0, size=0.0) if r.judged]
    parts = [p for c, p in judged.pull.parts.items() if c.kind is CauseKind.WANDER]
    assert math.hypot(*parts) > 0.01 * judged.limit_kN
    assert judged.pull.effective_dof < 10.0


@pytest.mark.slow
@pytest.mark.parametrize("tau_s", [30.0, 120.0])
def test_a_short_run_of_a_good_locomotive_is_seldom_condemned(tau_s: float) -> None:
    """93 % and more of the intervals hold the truth, 5 % and less are condemned, each less three
    standard deviations of such a count."""
    runs = [short_run(seed, tau_s=tau_s, size=0.02) for seed in range(200)]
    margins = [r.margin for run in runs for r in run if r.judged and r.margin is not None]
    draws = len(margins)
    assert draws > 150
    held = sum(abs(m.value) <= m.expanded for m in margins)
    condemned = sum(judge_margin(m)[0] is Verdict.DOES_NOT_MEET for m in margins)
    assert held >= 0.93 * draws - 3 * math.sqrt(draws * 0.93 * 0.07)
    assert condemned <= 0.05 * draws + 3 * math.sqrt(draws * 0.05 * 0.95)
