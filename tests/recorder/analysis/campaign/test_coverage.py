"""Stated 95 % intervals hold the truth as often as they say, and verdicts are fair."""

from collections import Counter

import numpy as np
import pytest

from recorder.analysis.dynamics.energy import work
from recorder.analysis.dynamics.resistance import fit_resistance
from recorder.analysis.series.corrections import correct
from recorder.analysis.specification.performance import (
    DOES_NOT_MEET,
    MEETS,
    Specification,
    bands,
    measure_stretches,
    overall,
)
from recorder.analysis.specification.steady_stretches import find_steady
from recorder.analysis.uncertainty.instrument_uncertainty import trailing_resistance
from tests.recorder.analysis.conftest import TRUE_A, TRUE_B, TRUE_C, binomial_band, make_outing

RUNS = 50


def specification(factor: float = 1.0) -> Specification:
    v = np.linspace(2.0, 25.0, 30)
    return Specification(
        name="curve", speed_m_s=tuple(v), pull_kN=tuple(factor * (160.0 - 4.0 * v))
    )


@pytest.mark.slow
def test_intervals_hold_the_truth() -> None:
    held: Counter[str] = Counter()
    asked: Counter[str] = Counter()

    def ask(name: str, inside: bool) -> None:
        asked[name] += 1
        held[name] += inside

    for seed in range(RUNS):
        outing = make_outing(seed)
        series, train, evidence = outing.series, outing.train, outing.evidence
        corrected = correct(series, train)
        results = measure_stretches(
            "run", series, corrected, find_steady(series), train, evidence, specification()
        )
        # One stretch and one band a run: within a run they share its calibration.
        first = results[len(results) // 2]
        span = slice(first.stretch.start, first.stretch.stop)
        a, b = outing.full_pull_kN
        true_v = float(np.mean(series.speed_m_s[span]))
        true = a - b * true_v
        ask("pull", abs(first.pull.value - true) <= first.pull.expanded)
        ask("power", abs(first.power.value - true * true_v) <= first.power.expanded)
        band = bands(results, 10 / 3.6)[0]
        assert band.margin is not None
        ask("margin", abs(band.margin.value) <= band.margin.expanded)
        total = work(series, evidence)[2]
        ask("work", abs(total.value - outing.true_work_kJ) <= total.expanded)
        speeds, seen = [], []
        for i in range(0, len(series) - 40, 40):
            resistance = trailing_resistance(
                series, corrected, i, i + 40, train, evidence, f"piece {i // 360}"
            )
            seen.append(resistance.scaled(1000.0 / (train.trailing_mass_t or 1.0), "N/t"))
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
            series, train, evidence = outing.series, outing.train, outing.evidence
            results = measure_stretches(
                "run",
                series,
                correct(series, train),
                find_steady(series),
                train,
                evidence,
                specification(),
            )
            words[name][overall(bands(results, 10 / 3.6)).verdict] += 1
    assert words["short"][DOES_NOT_MEET] >= 0.9 * RUNS
    # 5 % of 50 is 2.5; six is beyond three standard deviations.
    assert words["good"][DOES_NOT_MEET] <= 6
    assert words["ample"][MEETS] >= 0.9 * RUNS
