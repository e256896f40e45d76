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


def test_a_handful_of_counts_worked_by_hand() -> None:
    """Two counts deviate by |a - b| / √2; of three the last third is one count, as the first."""
    two = mean_counts(T[:2], np.array([1.0, 3.0]), 0.0, 2.0)
    three = mean_counts(T[:3], np.array([0.0, 9.0, 20.0]), 0.0, 2.0)
    assert two is not None
    assert three is not None
    assert two.sd == pytest.approx(math.sqrt(2.0))
    assert (three.drift, three.n) == (20.0, 3)


def test_the_means_of_stretches_say_more_than_single_counts_where_there_are_two() -> None:
    """0, 0 in one tenth and 10, 10 in another: their means deviate by 10 / √2, over √2 of them.
    Of one tenth alone there is the deviation of its counts, 0.5 / √2, over √2 of them."""
    two = mean_counts(
        np.array([0.0, 0.1, 1.0, 1.1]), np.array([0.0, 0.0, 10.0, 10.0]), 0.0, 2.0
    )
    one = mean_counts(T[:2], np.array([1.0, 1.5]), 0.0, 2.0)
    assert two is not None
    assert one is not None
    assert two.u == pytest.approx(5.0)
    assert one.u == pytest.approx(0.25)


def test_five_stretches_show_the_scatter_about_their_line() -> None:
    """0, 3, 1, 4, 2: slope 0.5, left −1, 1.5, −1, 1.5, −1, in square 7.5 over 3 degrees of
    freedom; times 2 · 3 / 5, the variance of a third less another is 3."""
    at = 0.4 * np.arange(5.0) + 0.1
    found = mean_counts(at, np.array([0.0, 3.0, 1.0, 4.0, 2.0]), 0.0, 2.0)
    assert found is not None
    assert found.u_drift == pytest.approx(math.sqrt(3.0))


def test_where_the_time_axis_begins_changes_nothing() -> None:
    """Times in steps of 2⁻¹⁰ s, which floats hold exactly wherever they begin."""
    t = np.arange(2048) / 1024.0
    counts = np.random.default_rng(5).normal(0.0, 20.0, len(t)).cumsum()
    assert mean_counts(t + 4096.0, counts, 4096.0, 4098.0) == mean_counts(t, counts, 0.0, 2.0)


def test_a_count_at_the_very_end_belongs_to_the_last_stretch() -> None:
    """Ten stretches of two counts each, 0 to 9, and one of 18 at the stop: ten means."""
    at = np.append(np.arange(20.0) / 2.0, 10.0)
    found = mean_counts(at, np.append(np.arange(20) // 2, 18.0), 0.0, 10.0)
    assert found is not None
    means = np.append(np.arange(9.0), 12.0)
    assert found.u == pytest.approx(float(np.std(means, ddof=1)) / math.sqrt(10.0))


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
