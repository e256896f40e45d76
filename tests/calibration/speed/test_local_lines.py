"""Slopes over overlapping stretches against scipy and printed weights."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from calibration.speed.local_lines import carried_on, line_slopes


def test_acceleration_is_the_slope_of_the_local_quadratic() -> None:
    """At even steps: the derivative of Savitzky and Golay (1964), by scipy."""
    rng = np.random.default_rng(4)
    x, y = np.arange(400) / 10.0, rng.normal(0, 1, 400)
    low = np.arange(390)
    fit = line_slopes(x, y, low, low + 10)
    expected = savgol_filter(y, 11, 2, deriv=1, delta=0.1)[5:395]
    assert np.allclose(fit.slope, expected, atol=1e-9)
    # 5 points: (−2, −1, 0, 1, 2)/10, as printed.
    some = np.array([3.0, 1, 4, 1, 5])
    five = line_slopes(np.arange(5.0), some, np.array([0]), np.array([4]))
    assert five.slope[0] == pytest.approx((-2 * 3 - 1 + 1 + 2 * 5) / 10)


def test_slopes_far_from_the_origin_keep_their_digits() -> None:
    x = 40_000.0 + np.arange(16_000) / 100.0
    y = 2e5 + 55.6 * (x - 40_000.0)
    low = np.arange(15_950)
    assert np.abs(line_slopes(x, y, low, low + 49).slope - 55.6).max() < 1e-4


@given(st.integers(2, 12), st.integers(0, 6), st.integers(0, 2**31))
def test_a_line_carried_on_is_numpys(n: int, ahead: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=n + 5)
    values[-1] = np.nan
    found = carried_on(values, n, ahead)
    expected = [
        np.polyval(np.polyfit(np.arange(n), values[k : k + n], 1), n - 1 + ahead)
        for k in range(5)
    ]
    assert found[:-1] == pytest.approx(expected, abs=1e-9)
    assert np.isnan(found[-1])
