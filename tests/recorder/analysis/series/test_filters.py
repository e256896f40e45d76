"""Filters: exact invariants, gaps that stay gaps, and the fewest independent samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.analysis.series.filters import (
    acceleration_of,
    effective_count,
    mean_known,
    savitzky_golay,
    smooth_unbroken,
)


def test_five_and_seven_point_weights_as_published() -> None:
    """A. Savitzky, M. J. E. Golay, Smoothing and Differentiation of Data by Simplified Least
    Squares Procedures, Analytical Chemistry 36, 1964: (−3, 12, 17, 12, −3)/35 and
    (−2, 3, 6, 7, 6, 3, −2)/21."""
    for window, weights, divisor in (
        (5, (-3, 12, 17, 12, -3), 35.0),
        (7, (-2, 3, 6, 7, 6, 3, -2), 21.0),
    ):
        impulse = np.zeros(41)
        impulse[20] = 1.0
        smooth = savitzky_golay(impulse, window=window, step=1.0)
        half = window // 2
        assert smooth[20 - half : 21 + half] == pytest.approx(np.array(weights) / divisor)


def test_five_point_slope_as_published() -> None:
    """The same, table of first derivatives: (−2, −1, 0, 1, 2)/10."""
    impulse = np.zeros(41)
    impulse[20] = 1.0
    slope = savitzky_golay(impulse, window=5, step=1.0, derivative=1)
    assert slope[18:23] == pytest.approx(-np.array([-2, -1, 0, 1, 2]) / 10.0)


@given(
    st.floats(-100, 100),
    st.floats(-10, 10),
    st.floats(-1, 1),
    st.integers(2, 10),
    st.integers(30, 80),
)
def test_a_parabola_passes_unchanged_and_its_slope_is_exact(
    a: float, b: float, c: float, half: int, n: int
) -> None:
    t = np.arange(n) * 0.1
    y = a + b * t + c * t**2
    window = 2 * half + 1
    assert savitzky_golay(y, window=window, step=0.1) == pytest.approx(y, abs=1e-6)
    slope = savitzky_golay(y, window=window, step=0.1, derivative=1)
    assert slope[half:-half] == pytest.approx((b + 2 * c * t)[half:-half], abs=1e-6)


def test_a_gap_stays_a_gap_and_does_not_spoil_its_neighbours() -> None:
    y = np.linspace(0.0, 10.0, 101)
    y[40:50] = np.nan
    smooth = smooth_unbroken(y, window=9, step=0.1)
    assert np.flatnonzero(np.isnan(smooth)).tolist() == list(range(40, 50))
    held = np.isfinite(smooth)
    assert smooth[held] == pytest.approx(y[held])


@pytest.mark.parametrize("rate", [-0.4, 0.0, 0.05, 1.2])
def test_a_steady_acceleration_is_found_exactly(rate: float) -> None:
    speed = np.asarray(20.0 + rate * np.arange(400) * 0.1, np.float64)
    assert acceleration_of(speed, 0.1) == pytest.approx(np.full(400, rate), abs=1e-9)


def test_independent_samples_count_as_many_as_they_are() -> None:
    noise = np.random.default_rng(4).standard_normal(20_000)
    assert effective_count(noise) == pytest.approx(20_000, rel=0.1)


@pytest.mark.parametrize("held", [5, 20])
def test_samples_held_count_once(held: int) -> None:
    """Each value standing for ``held`` samples is one independent sample."""
    values = np.repeat(np.random.default_rng(5).standard_normal(2_000), held)
    assert effective_count(values) == pytest.approx(2_000, rel=0.25)


def test_more_samples_of_the_same_wander_are_never_more_than_there_are() -> None:
    values = np.random.default_rng(6).standard_normal(500).cumsum()
    assert 1.0 <= effective_count(values) <= 500.0


def test_the_mean_of_nothing_known_is_not_known() -> None:
    nan = np.nan
    assert np.isnan(mean_known(np.array([nan, nan])))
    assert np.isnan(mean_known(np.array([])))
    assert mean_known(np.array([1.0, nan, 3.0])) == 2.0
