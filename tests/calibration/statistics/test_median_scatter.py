"""Scatter by the median, beside scipy's, and with strays."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from calibration.statistics.median_scatter import normal_sd


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50))
def test_it_is_scipys_median_deviation_scaled_to_a_normal_one(values: list[float]) -> None:
    x = np.array(values)
    expected = stats.median_abs_deviation(x, scale="normal")
    assert normal_sd(x - np.median(x)) == pytest.approx(expected, rel=1e-4)


def test_strays_do_not_widen_it() -> None:
    x = np.random.default_rng(3).normal(0.0, 2.0, 20_000)
    x[:200] = 1e9
    assert normal_sd(x) == pytest.approx(2.0, rel=0.03)


def test_of_nothing_nothing_is_known() -> None:
    assert math.isnan(normal_sd([]))
