"""Means of counts and how sure they are."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.field.mean_counts import mean_counts

T = np.arange(2000) / 1000.0
"""Two seconds at 1 kHz."""


def test_independent_counts_have_the_uncertainty_of_a_mean() -> None:
    counts = 500.0 + np.random.default_rng(4).normal(0.0, 20.0, len(T))
    found = mean_counts(T, counts, 0.0, 2.0)
    assert found is not None
    assert found.mean == pytest.approx(500.0, abs=2.0)
    assert found.n == 2000
    assert found.sd == pytest.approx(20.0, rel=0.05)
    assert 20.0 / math.sqrt(2000) * 0.95 < found.u < 2.5 * 20.0 / math.sqrt(2000)
    assert found.lowest < 450.0 < 550.0 < found.highest


def test_counts_that_hang_together_are_less_sure() -> None:
    """A swing of 0.7 Hz: the deviation of single counts over the root of n claims 0.16."""
    found = mean_counts(T, 10.0 * np.sin(2 * np.pi * 0.7 * T), 0.0, 2.0)
    assert found is not None
    assert found.u > 1.0


def test_drift_is_the_last_third_less_the_first() -> None:
    found = mean_counts(T, 30.0 * T, 0.0, 2.0)
    assert found is not None
    assert found.drift == pytest.approx(40.0, rel=0.01)


def test_a_drift_is_as_sure_as_the_scatter_about_its_line() -> None:
    """Of two means of a third each of white noise: sd · √(2 · 3 / n); what drifts adds nothing."""
    seen = []
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0.0, 20.0, len(T))
        found = mean_counts(T, 9000.0 * T + noise, 0.0, 2.0)
        assert found is not None
        seen.append(found.u_drift**2)
    assert math.sqrt(np.mean(seen)) == pytest.approx(20.0 * math.sqrt(6.0 / 2000.0), rel=0.15)


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_of_a_few_counts_no_drift_is_known(n: int) -> None:
    found = mean_counts(0.4 * np.arange(float(n)), 9.0 * np.arange(float(n)), 0.0, 2.0)
    assert found is not None
    assert found.u_drift == math.inf


def test_counts_that_are_none_are_left_out() -> None:
    counts = np.full(len(T), 7.0)
    counts[::2] = np.nan
    found = mean_counts(T, counts, 0.0, 2.0)
    assert found is not None
    assert (found.n, found.mean) == (1000, 7.0)
    assert mean_counts(T, np.full(len(T), np.nan), 0.0, 2.0) is None
    assert mean_counts(T[:0], T[:0], 0.0, 2.0) is None


def test_one_count_is_a_mean_of_itself() -> None:
    found = mean_counts(T[:1], np.array([3.0]), 0.0, 2.0)
    assert found is not None
    assert (found.mean, found.sd, found.drift) == (3.0, 0.0, 0.0)
