from __future__ import annotations

import numpy as np
import pytest

from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.figures.astm_e74 import choose_degree, degree_factor
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import (
    class_csv,
    iso_csv,
    pontius_csv,
    rows,
    stated,
    three_runs_csv,
)


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
        assert "rotation: the positions of the runs are not stated" in figure.reason


def test_class_is_verified_with_enough_readings_and_rotation() -> None:
    part = first(class_csv(noise=20.0, seed=4), stated())
    figure = part.figure("e74_class_a_range")
    llf = part.figure("e74_lower_limit_factor").value
    assert isinstance(llf, float)
    assert figure.value == pytest.approx(max(400 * llf, 50.0))
    assert figure.detail["high_kN"] == 500.0
    assert {c["state"] for c in figure.detail["conditions"]} == {"held"}
    assert figure.reason == "class A, tension, 50 to 500 kN, rising readings only"


def test_class_is_refused_when_the_limit_lies_above_the_largest_force() -> None:
    figure = first(class_csv(noise=20_000.0, seed=4), stated()).figure("e74_class_aa_range")
    assert figure.value is None
    assert "no class AA" in figure.reason


def test_class_aa_asks_for_a_primary_standard() -> None:
    part = first(class_csv(noise=20.0, seed=4), stated(reference_U_pct=0.02))
    assert part.figure("e74_class_a_range").value is not None
    assert part.figure("e74_class_aa_range").value is None


def test_falling_readings_are_pooled_only_when_wanted_and_it_is_said() -> None:
    """A wide loop: falling readings 1 % above the rising ones, which are exact."""
    text = iso_csv(loop=0.01)
    rising = first(text, stated()).figure("e74_standard_deviation")
    pooled = first(text, stated(e74_falling=True)).figure("e74_standard_deviation")
    assert isinstance(rising.value, float)
    assert rising.value < 1.0
    assert rising.reason == "rising readings only"
    assert rising.detail["n"] == 40
    assert isinstance(pooled.value, float)
    assert pooled.value > 1000.0
    assert "pooled" in pooled.reason
    assert pooled.detail["n"] == 58


@pytest.mark.parametrize("kind", ["creep", "step"])
def test_a_force_kept_up_is_in_no_fit_whatever_it_is_called(kind: str) -> None:
    """Three readings of a creeping cell at the largest force, each 1 % further off."""
    head = "applied_kN,reading,time_s,kind\n"
    plain = [f"{50 * i},{400_000 * i + 3 * (-1) ** i},{40 * i},step\n" for i in range(11)]
    held = [f"500,{4_000_000 + 40_000 * i},{400 + 100 * i},{kind}\n" for i in (1, 2, 3)]
    alone = first(head + "".join(plain), BenchSettings(degree=1))
    with_hold = first(head + "".join(plain + held), BenchSettings(degree=1))
    one, other = (p.figure("e74_standard_deviation") for p in (alone, with_hold))
    assert other.value == one.value
    assert other.detail["n"] == one.detail["n"]


def test_coarse_resolution_raises_the_lower_limit_factor() -> None:
    part = first(iso_csv(), BenchSettings(resolution=8000.0, degree=1))
    assert part.figure("e74_lower_limit_factor").value == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize("bend", [0.0, 2.0])
@pytest.mark.parametrize("loop", [0.001, -0.01])
def test_a_loop_lends_the_curve_no_term(bend: float, loop: float) -> None:
    """A straight line or a parabola, exact but for the counts, and falling readings beside it.

    The largest force has no falling reading, some forces only few: means of both kinds jump.
    """
    straight = bend == 0.0
    part = first(iso_csv(loop=loop, bend=bend), stated())
    assert part.choice.degree == (1 if straight else 2)
    assert part.degree == part.choice.degree
    equation = part.figure("iso376_equation")
    assert equation.value == f"degree {part.degree}"
    s = part.figure("e74_standard_deviation")
    assert isinstance(s.value, float)
    assert s.value < 1.0
    assert s.detail["dof"] == 40 - part.degree - 1


def test_readings_of_a_force_kept_up_lend_the_curve_no_term() -> None:
    head = "applied_kN,reading,time_s\n"
    rows = [f"{50 * i},{400_000 * i + 3 * (-1) ** i},{40 * i}\n" for i in range(11)]
    kept = [f"500,{4_000_000 + 4_000 * i},{400 + 100 * i}\n" for i in (1, 2, 3)]
    part = first(head + "".join(rows + kept))
    assert part.choice.degree == 1


def test_where_no_direction_is_known_all_readings_choose_the_degree() -> None:
    part = first(three_runs_csv())
    means = part.loads.mean_at_levels()
    step = part.loads.readings.resolution
    assert step is not None
    counts = part.loads.full_scale / step
    choice = choose_degree(part.loads.levels, means, resolution_counts=counts)
    assert part.choice == choice


def test_no_class_reaches_below_a_fiftieth_of_the_capacity() -> None:
    """100 forces from 1 % on: 2 % of 500 kN is 10 kN."""
    part = first(class_csv(levels=100), stated())
    figure = part.figure("e74_class_a_range")
    assert figure.value == 10.0
    assert figure.reason.startswith("class A, tension, 10 to 500 kN")
    assert part.figure("e74_class_a_lower_limit").value == 10.0
