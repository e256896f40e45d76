from __future__ import annotations

import numpy as np
import pytest

from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.figures.astm_e74 import choose_degree, degree_factor
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv, pontius_csv, rows, three_runs_csv


def first(text: str, settings: BenchSettings | None = None) -> SenseEvaluation:
    return evaluate(parse_readings(text), settings or BenchSettings()).senses[0]


def test_degree_factor_table() -> None:
    """C(n1, m): row n1 = 10 as the standard's table gives it (from memory, high); the rest
    computed from the formula by another program."""
    for row in rows("e74_degree_factor_C.csv"):
        for m in (2, 3, 4, 5):
            assert degree_factor(int(row["n1_distinct_forces"]), m) == pytest.approx(
                float(row[f"m{m}"]), abs=6e-4
            )


def test_degree_factor_needs_enough_forces() -> None:
    with pytest.raises(ValueError, match="too few"):
        degree_factor(6, 5)


def test_published_sets_are_quadratic_by_the_rule() -> None:
    assert first(pontius_csv()).degree == 2
    assert first(three_runs_csv()).degree == 2


def test_a_cubic_is_kept_and_low_resolution_forbids_it() -> None:
    x = np.linspace(1.0, 10.0, 12)
    y = x + 0.01 * x**3 + np.random.default_rng(2).normal(0.0, 1e-3, 12)
    high = choose_degree(x, y, resolution_counts=None)
    assert high.degree == 3
    assert "kept" in high.reasons[-1]
    low = choose_degree(x, y, resolution_counts=20_000.0)
    assert low.degree == 2
    assert "not above 50000" in low.reasons[0]


def test_exact_straight_line_stays_straight() -> None:
    x = np.linspace(1.0, 10.0, 12)
    choice = choose_degree(x, 3.0 * x + 1.0, resolution_counts=None)
    assert choice.degree == 1
    assert "straight line is enough" in choice.reasons[-1]


def test_few_forces_are_said() -> None:
    choice = choose_degree([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.1, 4.0], resolution_counts=None)
    assert any("fewer than 10" in reason for reason in choice.reasons)
    assert choose_degree([1.0, 2.0], [1.0, 2.0], resolution_counts=None).degree == 1


def test_lower_limit_factor_of_pontius() -> None:
    """2.4 s of the certified fit; mean force over deflection (computed from the data)."""
    part = first(pontius_csv(), BenchSettings(degree=2))
    s = part.figure("e74_standard_deviation")
    llf = part.figure("e74_lower_limit_factor")
    assert s.value == pytest.approx(0.205177424076185e-03, rel=1e-11)
    assert llf.detail["deflection"] == pytest.approx(4.924258e-4, rel=1e-6)
    assert llf.detail["own_units"] == pytest.approx(676.549, abs=5e-4)
    assert llf.value == pytest.approx(676.549 * 4.4482216152605e-3, rel=1e-6)
    a = part.figure("e74_class_a_lower_limit")
    aa = part.figure("e74_class_aa_lower_limit")
    assert a.detail["own_units"] == pytest.approx(270_619.6, abs=0.05)
    assert aa.detail["own_units"] == pytest.approx(1_353_098, abs=0.5)
    for name in ("e74_class_a_range", "e74_class_aa_range"):
        figure = part.figure(name)
        assert figure.value is None
        assert "not assessed" in figure.reason
        assert "rotation" in figure.reason


def test_class_is_verified_with_enough_readings_and_rotation() -> None:
    part = first(iso_csv(noise=20.0, seed=4))
    figure = part.figure("e74_class_a_range")
    llf = part.figure("e74_lower_limit_factor").value
    assert isinstance(llf, float)
    assert figure.value == pytest.approx(max(400 * llf, 50.0))
    assert figure.detail["high_kN"] == 500.0


def test_class_is_refused_when_the_limit_lies_above_the_largest_force() -> None:
    figure = first(iso_csv(noise=20_000.0, seed=4)).figure("e74_class_aa_range")
    assert figure.value is None
    assert "no class AA" in figure.reason


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (three_runs_csv(), "positions of the runs are not stated"),
        (iso_csv(levels=4), "at least 30 needed"),
        (iso_csv(levels=8), "8 distinct forces; at least 10 needed"),
    ],
)
def test_what_keeps_a_class_from_being_claimed(text: str, words: str) -> None:
    figure = first(text).figure("e74_class_a_range")
    assert figure.value is None
    assert words in figure.reason


def test_coarse_resolution_raises_the_lower_limit_factor() -> None:
    part = first(iso_csv(), BenchSettings(resolution=8000.0, degree=1))
    assert part.figure("e74_lower_limit_factor").value == pytest.approx(1.0, rel=1e-6)
