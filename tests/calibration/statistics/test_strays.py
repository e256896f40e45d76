"""Strays against the model of the rest."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.statistics.strays import Strays, find_strays


def line(n: int, seed: int, *, sd: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.linspace(1.0, 10.0, n)
    return x, np.column_stack((np.ones(n), x)), 3.0 + 50.0 * x + rng.normal(0.0, sd, n)


def find(x: np.ndarray, design: np.ndarray, y: np.ndarray, *, step: float = 1e-9) -> Strays:
    return find_strays(design, y, x, least=np.zeros(len(y)), step=step)


@given(st.integers(15, 60), st.integers(0, 10_000), st.floats(100.0, 1e4), st.booleans())
@settings(max_examples=60, deadline=None)
def test_one_stray_is_found_and_expected_as_without_it(
    n: int, seed: int, off: float, below: bool
) -> None:
    """The expected value is the prediction of statsmodels from all other values."""
    x, design, y = line(n, seed)
    at = seed % n
    y[at] += -off if below else off
    found = find(x, design, y)
    assert np.flatnonzero(found.stray).tolist() == [at]
    others = np.arange(n) != at
    fit = sm.OLS(y[others], design[others]).fit()
    assert found.expected[at] == pytest.approx(float(fit.predict(design[at : at + 1])[0]))


@given(st.integers(10, 50), st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_a_value_within_is_expected_as_by_the_press_statistic(n: int, seed: int) -> None:
    x, design, y = line(n, seed)
    found = find(x, design, y, step=10.0)
    assert not np.any(found.stray)
    influence = sm.OLS(y, design).fit().get_influence()
    assert y - found.expected == pytest.approx(influence.resid_press)


def test_several_strays_do_not_hide_each_other() -> None:
    x, design, y = line(30, 1)
    y[[3, 4, 17, 29]] += [200.0, 210.0, -190.0, 400.0]
    assert np.flatnonzero(find(x, design, y).stray).tolist() == [3, 4, 17, 29]


def test_scatter_in_proportion_to_size_is_no_stray() -> None:
    rng = np.random.default_rng(5)
    alarms = 0
    for _ in range(200):
        x = np.geomspace(1.0, 100.0, 40)
        y = 50.0 * x * (1.0 + rng.normal(0.0, 0.01, 40))
        alarms += bool(np.any(find(x, np.column_stack((np.ones(40), x)), y).stray))
    assert alarms <= 4


def test_below_the_step_of_the_indication_nothing_is_told() -> None:
    x, design, _ = line(30, 1)
    y = 3.0 + 50.0 * x
    y[7] += 0.9
    assert not np.any(find(x, design, y, step=0.5).stray)
    assert np.flatnonzero(find(x, design, y, step=0.01).stray).tolist() == [7]


def test_too_few_values_tell_nothing() -> None:
    x, design, y = line(3, 1)
    y[1] += 1e6
    assert not np.any(find(x, design, y).stray)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("off", [None, 100.0, 400.0])
def test_strays_side_by_side_at_the_far_end_do_not_turn_the_curve(
    seed: int, off: float | None
) -> None:
    """Three of twenty where they have most leverage: least squares through all would follow.

    They read nothing, or are off by so many times 0.01, the scatter of a curve up to 4.
    """
    x = np.linspace(0.1, 1.0, 20)
    y = 5.0 * x - x**2 + np.random.default_rng(seed).normal(0.0, 0.01, 20)
    far = [17, 18, 19]
    y[far] = 0.0 if off is None else y[far] + 0.01 * off
    assert np.flatnonzero(find(x, np.column_stack((x, x**2)), y).stray).tolist() == far
