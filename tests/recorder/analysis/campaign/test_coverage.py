"""Stated 95 % intervals hold the truth as often as they say, and verdicts are fair."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.dynamics.energy import drawbar_work
from recorder.analysis.dynamics.resistance import fit_resistance
from recorder.analysis.series.train import Side
from recorder.analysis.specification.bands import speed_bands
from recorder.analysis.specification.overall import judge_all
from recorder.analysis.specification.verdicts import Verdict
from recorder.analysis.stretches.cutting import cut_run
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch_results import measure_stretches
from recorder.analysis.uncertainty.causes import CauseKind, Extent
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.stretch_means import corrected_pull
from tests.recorder.analysis.drawn_runs import (
    TRUE_A,
    TRUE_B,
    TRUE_C,
    binomial_band,
    make_outing,
)

RUNS = 50


def specification(factor: float = 1.0) -> Specification:
    v = np.linspace(2.0, 25.0, 30)
    return Specification(
        name="curve", speed_m_s=tuple(v), pull_kN=tuple(factor * (160.0 - 4.0 * v))
    )


def on_one_slope(value: Measured, plateau: int) -> Measured:
    """The survey's error is one for a plateau; the scatter is each piece's own."""
    held = Extent("run", f"plateau {plateau}")
    parts = {
        replace(c, extent=held) if c.kind is CauseKind.GRADE else c: p
        for c, p in value.parts.items()
    }
    return replace(value, parts=parts)


@pytest.mark.slow
def test_intervals_hold_the_truth() -> None:
    held: Counter[str] = Counter()
    asked: Counter[str] = Counter()

    def ask(name: str, inside: bool) -> None:
        asked[name] += 1
        held[name] += inside

    for seed in range(RUNS):
        outing = make_outing(seed)
        run, series = outing.run, outing.run.series
        results = measure_stretches(run, cut_run(series, ()), specification())
        # One stretch and one band a run: within a run they share its calibration.
        first = results[len(results) // 2]
        span = first.stretch.span
        a, b = outing.full_pull_kN
        true_v = float(np.mean(series.speed_m_s[span]))
        true = a - b * true_v
        ask("pull", abs(first.pull.value - true) <= first.pull.expanded)
        ask("power", abs(first.power.value - true * true_v) <= first.power.expanded)
        band = speed_bands(results, 10 / 3.6)[0]
        assert band.margin is not None
        ask("margin", abs(band.margin.value) <= band.margin.expanded)
        total = drawbar_work(run)[2]
        ask("work", abs(total.value - outing.true_work_kJ) <= total.expanded)
        speeds, seen = [], []
        for i in range(0, len(series) - 40, 40):
            extent = Extent("run", f"piece {i}")
            resistance = corrected_pull(run, slice(i, i + 40), extent, Side.TRAILING)
            resistance = on_one_slope(resistance, i // 360)
            seen.append(resistance.scaled(1000.0 / (run.train.trailing.mass_t or 1.0), "N/t"))
            speeds.append(float(np.mean(series.speed_m_s[i : i + 40])) * 3.6)
        fit = fit_resistance(np.array(speeds), seen)
        for term, value in zip("ABC", (TRUE_A, TRUE_B, TRUE_C), strict=True):
            found = fit.coefficients[term]
            ask(term, abs(found.value - value) <= found.expanded)
    for name, count in asked.items():
        low, high = binomial_band(count)
        assert low <= held[name] <= high, (name, held[name], count)


@pytest.mark.slow
def test_three_per_cent_short_is_found_and_a_good_one_is_not_condemned() -> None:
    words: dict[str, Counter[str]] = {"short": Counter(), "good": Counter(), "ample": Counter()}
    for seed in range(RUNS):
        for name, shortfall in (("short", 0.03), ("good", 0.0), ("ample", -0.03)):
            outing = make_outing(1000 + seed, shortfall=shortfall)
            run = outing.run
            results = measure_stretches(run, cut_run(run.series, ()), specification())
            whole = judge_all(speed_bands(results, 10 / 3.6), None, specification())
            words[name][whole.verdict] += 1
    assert words["short"][Verdict.DOES_NOT_MEET] >= 0.9 * RUNS
    # 5 % of 50 is 2.5; six is beyond three standard deviations.
    assert words["good"][Verdict.DOES_NOT_MEET] <= 6
    assert words["ample"][Verdict.MEETS] >= 0.9 * RUNS
