"""Monte Carlo of the same model: it agrees with the propagation, and tells when that is wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.specification.bands import weight_of
from recorder.analysis.specification.monte_carlo import simulate_margin, stretch_inputs
from recorder.analysis.stretches.cutting import cut_run
from recorder.analysis.stretches.stretch_results import measure_stretches
from recorder.analysis.uncertainty.measured import pooled
from tests.recorder.analysis.admission.trials import SPECIFICATION, SPEEDS
from tests.recorder.analysis.drawn_runs import make_outing


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_both_give_the_same_interval_and_a_wrong_one_is_told(seed: int) -> None:
    assert len(SPEEDS) == len(SPECIFICATION.speed_m_s)
    run = make_outing(seed).run
    results = [
        r for r in measure_stretches(run, cut_run(run.series, ()), SPECIFICATION)
        if r.margin is not None and np.isfinite(r.margin.u)
    ]  # fmt: skip
    weights = [weight_of(r) for r in results]
    inputs = [stretch_inputs(run, r, w) for r, w in zip(results, weights, strict=True)]
    held = pooled([r.margin for r in results if r.margin is not None], weights)
    found = simulate_margin(inputs, run, SPECIFICATION)
    assert found is not None
    assert found.agrees_with(held)
    half = replace(held, parts={c: 0.5 * p for c, p in held.parts.items()})
    assert not found.agrees_with(half)
    assert not found.agrees_with(held.shifted(held.expanded))
