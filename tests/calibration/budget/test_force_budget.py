"""The lines of the budget and their sum, from tables of cells made by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.budget import defaults
from calibration.budget.force_budget import ForceBudget
from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.figures.iso376 import LIMITS
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from calibration.statistics.gum import Component
from calibration.statistics.half_width import Shape, half_width
from tests.calibration.bench_tables import iso_csv, pontius_csv

FULL = 500.0


def part(text: str, **stated: object) -> SenseEvaluation:
    document = {"reference_U_pct": 0.02, "stability_pct": 0.05, **stated}
    return evaluate(parse_readings(text), BenchSettings.from_document(document)).senses[0]


def lines(budget: ForceBudget) -> dict[str, Component]:
    return {c.name: c for c in budget.components}


def standard(budget: ForceBudget, name: str, at: int = -1) -> float:
    found = lines(budget)[name].standard
    assert found is not None
    return float(found[at])


def test_the_limits_of_class_2_stand_for_what_was_not_measured() -> None:
    """One source of the limits: the class table of the figures."""
    assert LIMITS["2"]["b"] == defaults.ROTATION_PCT
    assert LIMITS["2"]["f0"] == defaults.ZERO_PCT
    assert LIMITS["2"]["v"] == defaults.REVERSIBILITY_PCT
    assert LIMITS["2"]["c"] == defaults.CREEP_PCT


def test_the_sum_is_the_exact_half_width_and_k_follows() -> None:
    budget = part(iso_csv(noise=30.0, loop=0.001, rotation=(0.0, 2e-4, -2e-4))).budget
    known = [c for c in budget.components if c.standard is not None]
    for i in (0, 3, 20):
        assert budget.expanded_kN[i] == pytest.approx(half_width([c.part(i) for c in known]))
        root = math.sqrt(
            sum(float(c.standard[i]) ** 2 for c in known if c.standard is not None)
        )
        assert budget.combined_kN[i] == pytest.approx(root)
        assert budget.coverage_factor[i] == pytest.approx(budget.expanded_kN[i] / root)


def test_stated_facts_in_their_own_lines() -> None:
    budget = part(
        iso_csv(noise=10.0),
        room_temperature_C=23.0, reference_temperature_C=20.0, valid_months=24,
        reference_temperature_coefficient_pct_per_K=0.003, standard={"drift_pct": 0.01},
    ).budget  # fmt: skip
    root = math.sqrt(3.0)
    assert standard(budget, "reference standard") == pytest.approx(FULL * 0.0002 / 2.0)
    assert standard(budget, "temperature of the reference") == pytest.approx(
        FULL * 0.00009 / root
    )
    assert standard(budget, "drift of the reference") == pytest.approx(FULL * 0.0001 / root)
    assert standard(budget, "long-term stability") == pytest.approx(FULL * 0.0005 / root)
    unstated = part(iso_csv(noise=10.0), stability_pct=None, valid_months=24).budget
    assert standard(unstated, "long-term stability") == pytest.approx(FULL * 0.002 / root)
    assert "until it expires" in lines(unstated)["long-term stability"].caution


def test_mounting_is_the_spread_of_positions_and_of_the_next() -> None:
    """Positions at 0, +x, −x: standard deviation x, two degrees, √(1 + 1/3)."""
    line = lines(part(iso_csv(rotation=(0.0, 2e-4, -2e-4))).budget)["mounting"]
    assert line.standard is not None
    assert line.standard[-1] == pytest.approx(FULL * 2e-4 * math.sqrt(4.0 / 3.0), rel=1e-3)
    assert (line.dof, line.distribution, line.caution) == (2.0, Shape.STUDENT, "")


def without(text: str, *series: str) -> str:
    return "\n".join(row for row in text.splitlines() if row.split(",")[0] not in series) + "\n"


def test_two_positions_are_not_enough_and_say_so() -> None:
    text = iso_csv(rotation=(0.0, 2e-4, -2e-4))
    widest = FULL * 0.004 / math.sqrt(3.0) * math.sqrt(4.0 / 3.0)
    for gone in (("X5",), ("X3", "X5")):
        line = lines(part(without(text, *gone)).budget)["mounting"]
        assert line.standard is not None
        assert line.standard[-1] == pytest.approx(widest, rel=1e-6)
        assert line.dof == 2.0
        assert "at least 3" in line.caution
    # The maker's own figure is narrower; two positions farther apart than it beat it.
    stated = {"data_sheet": {"rotation_pct": 0.05}}
    line = lines(part(without(text, "X3", "X5"), **stated).budget)["mounting"]
    assert line.standard is not None
    assert line.standard[-1] == pytest.approx(widest / 8.0, rel=1e-6)
    apart = iso_csv(rotation=(0.0, 1e-3, 0.0))
    line = lines(part(without(apart, "X5"), **stated).budget)["mounting"]
    assert line.standard is not None
    assert line.standard[-1] == pytest.approx(widest / 4.0, rel=1e-2)


def test_zero_shifts_over_series() -> None:
    """Four series of 80 counts (0.01 kN) each; the curve takes a part of their mean along."""
    budget = part(iso_csv(zero_shift=80.0)).budget
    line = lines(budget)["zero shifts"]
    assert line.dof == 4.0
    assert standard(budget, "zero shifts", 0) == pytest.approx(0.01, rel=1e-3)
    assert 0.01 < standard(budget, "zero shifts") < 0.0125
    unread = "\n".join(r for r in iso_csv().splitlines() if ",0,1000" not in r) + "\n"
    line = lines(part(unread).budget)["zero shifts"]
    assert "not measured" in line.basis
    assert line.caution
    assert line.standard is not None
    assert line.standard[0] == pytest.approx(0.001 * FULL, rel=1e-3)
    assert "zero not read" in lines(part(unread).budget)


def test_the_loop_is_half_either_side_and_whole_where_only_rising() -> None:
    """Falling reads 0.1 % · 4s(1−s) of itself more: half of it in force at half load."""
    text = iso_csv(loop=0.001)
    budget = part(text).budget
    assert lines(budget)["loop"].distribution is Shape.TWO_POINT
    assert standard(budget, "loop", 10) == pytest.approx(0.5 * 0.001 * 250.0, rel=2e-2)
    assert standard(budget, "loop", 0) == standard(budget, "loop") == 0.0
    rising = "\n".join(r for r in text.splitlines() if ",down," not in r or ",0,1" in r) + "\n"
    line = lines(part(rising).budget)["loop"]
    assert line.standard is not None
    assert line.standard[10] == pytest.approx(0.005 * 250.0)
    assert "rising and falling" in line.caution
    stated = lines(part(rising, data_sheet={"hysteresis_pct": 0.1}).budget)["loop"]
    assert stated.standard is not None
    assert stated.standard[10] == pytest.approx(0.001 * FULL)
    assert "data sheet" in stated.caution


def test_temperature_at_the_end_of_the_service_range() -> None:
    # The readings say 21 °C: the room beside them is no better known.
    stated = {"room_temperature_C": 20.0, "service_temperature_C": [-10.0, 40.0]}
    budget = part(iso_csv(noise=10.0), **stated).budget
    # 0.01 % per K: at the end of the range a use stands at the edge, whoever says how large.
    usual = 1e-4
    assert standard(budget, "temperature on span") == pytest.approx(FULL * usual * 31.0)
    # A zero is taken again within 10 K, and within the range of service where that is less.
    assert standard(budget, "temperature on zero", 0) == pytest.approx(FULL * usual * 10.0)
    for within, kelvin in ((4.0, 4.0), (100.0, 50.0)):
        told = part(iso_csv(noise=10.0), zero_within_K=within, **stated).budget
        zero = standard(told, "temperature on zero", 0)
        assert zero == pytest.approx(FULL * usual * kelvin)
    assert "was not measured" in lines(budget)["temperature on span"].caution
    coupler = part(iso_csv(noise=10.0), element="strain-gauged coupler", **stated).budget
    assert standard(coupler, "temperature on span") == pytest.approx(FULL * 5.0 * usual * 31.0)
    sheet = {"temperature_span_pct_per_K": 0.002, "temperature_zero_pct_per_K": 0.001}
    told = part(iso_csv(noise=10.0), data_sheet=sheet, **stated).budget
    assert standard(told, "temperature on span") == pytest.approx(FULL * 2e-5 * 31.0)
    unstated = part(iso_csv(noise=10.0)).budget
    assert (
        "service temperatures are not stated" in lines(unstated)["temperature on span"].caution
    )


def test_a_bare_table_has_a_caution_for_everything_it_left_out() -> None:
    evaluation = evaluate(parse_readings(pontius_csv()), BenchSettings(reference_U_pct=0.01))
    text = "\n".join(evaluation.cautions)
    for words in ("position", "zero before and after", "rising and falling", "creep",
                  "temperature on zero", "temperature on span", "service temperatures",
                  "between calibrations"):  # fmt: skip
        assert words in text, words
    budget = evaluation.senses[0].budget
    assert all(c.standard is not None or c.basis for c in budget.components)
    assert np.all(budget.expanded_kN > 0.0)


def test_friction_is_as_wide_at_no_force() -> None:
    text = iso_csv(loop=0.004)
    budget = part(text, element="capsule").budget
    # Half of 0.004 of 250 kN at half load, which is no law of friction: held all the same.
    assert standard(budget, "loop", 10) >= 0.499
    assert standard(budget, "loop", 0) > 0.2
