from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.statistics.gum import (
    Component,
    combine,
    coverage_factor,
    effective_dof,
    rectangular,
)
from calibration.statistics.half_width import Shape


def test_gum_h1_end_gauge_budget() -> None:
    """GUM (JCGM 100:2008) H.1: u = 32 nm; components, dof as printed; k = 2.92, U = 93 nm."""
    components = {
        "standard": (25.0, 18.0),
        "thermal difference": (16.599, 2.0),
        "systematic of comparator": (6.7, 8.0),
        "repeats": (5.8, 24.0),
        "random of comparator": (3.9, 5.0),
        "expansion difference": (2.88679, 50.0),
    }
    u = [value for value, _ in components.values()]
    dof = [d for _, d in components.values()]
    combined, effective = float(combine(u)), float(effective_dof(u, dof))
    assert combined == pytest.approx(32.0, abs=0.5)
    assert combined == pytest.approx(31.66386517, rel=1e-9)
    assert effective == pytest.approx(16.751895, rel=1e-6)
    k = float(coverage_factor(effective, level=0.99, truncate=True))
    assert k == pytest.approx(2.92, abs=5e-3)
    assert k * 32.0 == pytest.approx(93.0, abs=0.6)


def test_gum_h1_type_b_inputs() -> None:
    """H.1: ± 1e-6 rectangular on 0.05 m · 0.1 K, ± 0.05 K rectangular."""
    length_nm = 50_000_623.0
    assert length_nm * 0.1 * rectangular(1e-6) == pytest.approx(2.88679, rel=1e-4)
    assert length_nm * 11.5e-6 * rectangular(0.05) == pytest.approx(16.599, rel=1e-4)


def test_each_value_of_a_measurand_is_combined_by_itself() -> None:
    """3 and 4 are 5; 0 and 1 are 1."""
    assert combine([[3.0, 0.0], [4.0, 1.0]]) == pytest.approx([5.0, 1.0])


def component(shape: Shape | None, standard: list[float] | None) -> Component:
    known = None if standard is None else np.array(standard)
    return Component(
        name="creep",
        standard=known,
        dof=7.0,
        evaluation="B",
        distribution=shape,
        basis="no step",
    )


@pytest.mark.parametrize(
    ("shape", "width"),
    [
        (Shape.NORMAL, 2.0),
        (Shape.STUDENT, 2.0),
        (Shape.RECTANGLE, 2.0 * math.sqrt(3.0)),
        (Shape.TRIANGLE, 2.0 * math.sqrt(6.0)),
        (Shape.TWO_POINT, 2.0),
    ],
)
def test_a_standard_uncertainty_is_that_of_its_distribution(shape: Shape, width: float) -> None:
    """GUM 4.3.7 and 4.3.9: half-widths of a rectangle and a triangle over √3 and √6; a value that
    is at one of two ends deviates by all of it. A Student t is given by its scale (4.2.3)."""
    part = component(shape, [9.0, 2.0]).part(1)
    assert (part.shape, part.dof) == (shape, 7.0)
    assert part.width == pytest.approx(width)


@pytest.mark.parametrize(("shape", "standard"), [(None, [1.0]), (Shape.NORMAL, None)])
def test_what_is_not_known_is_no_error_of_a_sum(
    shape: Shape | None, standard: list[float] | None
) -> None:
    with pytest.raises(ValueError, match="creep is not known: no step"):
        component(shape, standard).part(0)


def test_welch_satterthwaite_over_forces() -> None:
    u = np.array([[3.0, 0.0, 3.0], [4.0, 4.0, 0.0]])
    dof = effective_dof(u, [4.0, math.inf])
    assert dof[0] == pytest.approx(625.0 / (81.0 / 4.0))
    assert math.isinf(dof[1])
    assert dof[2] == pytest.approx(4.0)


def test_coverage_factor_limits() -> None:
    """Student's table: t0.975(1) = 12.71, (2) = 4.303, (10) = 2.228, infinity 1.960."""
    k = coverage_factor([0.3, 1.0, 2.0, 10.0, math.inf])
    assert k == pytest.approx([12.706, 12.706, 4.303, 2.228, 1.960], rel=1e-3)
