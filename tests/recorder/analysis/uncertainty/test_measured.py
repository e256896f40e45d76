"""Propagation with common causes, against GUM examples and Student's t."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from uncertainties import ufloat

from recorder.analysis.uncertainty.measured import Measured, pooled
from tests.recorder.analysis.drawn_runs import cause

numbers = st.floats(-1e3, 1e3).filter(lambda x: abs(x) > 1e-3)


def test_end_gauge_budget() -> None:
    """JCGM 100:2008 H.1: components in nm and their degrees of freedom."""
    u = {"ls": 25.0, "d0": 5.8, "d1": 3.9, "d2": 6.7, "d_theta": 16.599, "d_alpha": 2.88679}
    parts = {cause(name): part for name, part in u.items()}
    n = {"ls": 18.0, "d0": 24.0, "d1": 5.0, "d2": 8.0, "d_theta": 2.0, "d_alpha": 50.0}
    dof = {cause(name): value for name, value in n.items()}
    length = Measured(50_000_838.0, "nm", parts, dof)
    assert round(length.u) == 32
    assert length.effective_dof == pytest.approx(16.7519, abs=5e-4)


def test_impedance_with_correlated_inputs() -> None:
    """JCGM 100:2008 H.2: R, X, Z of correlated V, I, phi, by causes from a Cholesky factor."""
    r = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    causes = np.linalg.cholesky(r)
    names = "abc"

    def quantity(row: int, value: float, u: float, unit: str) -> Measured:
        return Measured(
            value, unit, {cause(n): u * causes[row, i] for i, n in enumerate(names)}
        )

    v = quantity(0, 4.999, 0.0032, "V")
    i = quantity(1, 19.661e-3, 9.5e-6, "A")
    phi = quantity(2, 1.04446, 0.00075, "rad")
    z = v.over(i, "ohm")
    cosine = Measured(
        math.cos(phi.value), "", {c: -math.sin(phi.value) * p for c, p in phi.parts.items()}
    )
    resistance = z.times(cosine, "ohm")
    assert resistance.value == pytest.approx(127.732, abs=0.01)
    assert resistance.u == pytest.approx(0.071, abs=0.003)
    assert z.value == pytest.approx(254.26, abs=0.01)
    assert z.u == pytest.approx(0.236, abs=0.01)


@given(numbers, numbers)
def test_a_quantity_less_itself_is_certain(value: float, u: float) -> None:
    x = Measured(value, "kN", {cause("certificate"): u})
    assert x.minus(x).u == 0.0
    assert x.over(x, "").u == pytest.approx(0.0, abs=1e-12)


@given(numbers, numbers, numbers)
def test_independent_parts_add_in_quadrature(value: float, a: float, b: float) -> None:
    x = Measured(value, "kN", {cause("a"): a}).plus(Measured(value, "kN", {cause("b"): b}))
    assert x.u == pytest.approx(math.hypot(a, b))


def test_coverage_factor_is_students() -> None:
    x = Measured(1.0, "kN", {cause("random"): 0.1}, {cause("random"): 9.0})
    assert x.coverage_factor == pytest.approx(stats.t.ppf(0.975, 9))
    assert Measured(1.0, "kN", {cause("a"): 0.1}).coverage_factor == pytest.approx(
        1.959964, abs=1e-6
    )


def test_pooled_common_cause_does_not_shrink() -> None:
    items = [
        Measured(10.0, "kN", {cause("certificate"): 0.1, cause(f"random {i}"): 0.3})
        for i in range(9)
    ]
    mean = pooled(items, [1.0] * 9)
    assert mean.u == pytest.approx(math.hypot(0.1, 0.1))


def test_units_must_agree() -> None:
    with pytest.raises(ValueError, match="cannot add m to kN"):
        Measured(1.0, "kN").plus(Measured(1.0, "m"))


def test_degrees_of_freedom_of_the_guide() -> None:
    """JCGM 100:2008, G.4.1, example (from memory): relative standard uncertainties 0.25 %, 0.57 %
    and 0.82 % of 10, 5 and 15 readings: 1.03 %, 19 degrees of freedom, t 2.09, U 2.2 %."""
    parts = {cause("1"): 0.25, cause("2"): 0.57, cause("3"): 0.82}
    product = Measured(100.0, "%", parts, {cause("1"): 9.0, cause("2"): 4.0, cause("3"): 14.0})
    assert product.u == pytest.approx(1.03, abs=0.005)
    assert product.effective_dof == pytest.approx(19.0, abs=0.05)
    assert product.coverage_factor == pytest.approx(2.09, abs=0.005)
    assert product.expanded == pytest.approx(2.2, abs=0.05)


STEPS = st.lists(
    st.tuples(st.sampled_from(["plus", "minus", "times", "over"]), st.integers(0, 3)),
    max_size=6,
)


FIGURES = st.lists(
    st.tuples(st.floats(0.5, 20.0), st.floats(1e-3, 0.5)), min_size=4, max_size=4
)


@pytest.mark.filterwarnings("ignore:Using UFloat objects:UserWarning")  # a figure less itself
@given(FIGURES, STEPS)
def test_any_sum_and_product_is_that_of_an_independent_library(
    drawn: list[tuple[float, float]], steps: list[tuple[str, int]]
) -> None:
    """The package ``uncertainties``: linear propagation with correlation by shared variables."""
    ours = [Measured(v, "x", {cause(f"{i}"): u}) for i, (v, u) in enumerate(drawn)]
    theirs = [ufloat(v, u) for v, u in drawn]
    mine, other = ours[0], theirs[0]
    for step, i in steps:
        if step == "plus":
            mine, other = mine.plus(ours[i]), other + theirs[i]
        elif step == "minus":
            mine, other = mine.minus(ours[i]), other - theirs[i]
        elif step == "times":
            mine, other = mine.times(ours[i], "x"), other * theirs[i]
        else:
            mine, other = mine.over(ours[i], "x"), other / theirs[i]
    assert mine.value == pytest.approx(other.nominal_value, rel=1e-9, abs=1e-12)
    assert mine.u == pytest.approx(other.std_dev, rel=1e-6, abs=1e-9)
