"""What was picked for being highest stands high, by as much as drawn means show."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from recorder.analysis.dynamics.selection import stands_high
from recorder.analysis.uncertainty.wander import NoisePart

TRIALS = 400


def noise(sd: float, apart_s: float = 1.0) -> list[NoisePart]:
    return [NoisePart(sd**2, apart_s)]


@example([1.1195021512566311e-82] * 5, 1.0, 1)
@example([1.1195021512566311e-82] * 5, 1.0, 5)
@given(
    st.lists(st.floats(0.0, 300.0), min_size=1, max_size=60),
    st.floats(1e-3, 50.0),
    st.integers(1, 8),
)
def test_it_is_at_most_what_noise_can_do(means: list[float], sd: float, apart: int) -> None:
    """Never too low, never below the mean of all, never by more than the expected highest of so
    many normal deviates (scipy's order statistics by quadrature)."""
    held = np.array(means)
    high, u = stands_high(held, 1.0, noise(sd, float(apart)))
    assert high >= 0.0
    assert u >= 0.0
    assert high <= float(held.max() - held.mean()) + 1e-9
    count = math.ceil(len(means) / apart)
    x = np.linspace(-9.0, 9.0, 4001)
    most = float(
        np.trapezoid(x * count * stats.norm.pdf(x) * stats.norm.cdf(x) ** (count - 1), x)
    )
    assert high <= sd * (most * 1.02 + 0.02)


def test_a_lone_summit_stands_no_higher_than_it_is() -> None:
    means = np.full(200, 50.0)
    means[100] = 150.0
    high, u = stands_high(means, 1.0, noise(1.0))
    assert math.hypot(high, u) < 0.05


def test_nothing_to_pick_from_is_nothing_picked() -> None:
    assert stands_high(np.array([np.nan, 7.0, np.nan]), 1.0, noise(1.0)) == (0.0, 0.0)
    assert stands_high(np.array([5.0, 7.0, 6.0]), 1.0, noise(0.0)) == (0.0, 0.0)


@pytest.mark.slow
@pytest.mark.parametrize("equal", [1, 2, 3, 5, 12, 40])
def test_the_level_behind_the_highest_of_equal_means_is_held(equal: int) -> None:
    """Some means of one true level among a hundred far lower ones, each with noise of its own:
    the interval about the highest, less what it stands high, holds the level in 93 per cent and
    more (less three standard deviations of such a count), and without it does not."""
    rng = np.random.default_rng(equal)
    level = np.full(100, 20.0)
    level[:equal] = 100.0
    held, bare, off = 0, 0, []
    for _ in range(TRIALS):
        means = level + rng.standard_normal(100)
        high, u = stands_high(means, 1.0, noise(1.0))
        error = float(means.max()) - high - 100.0
        off.append(error)
        held += abs(error) <= 1.96 * math.hypot(1.0, u)
        bare += abs(error + high) <= 1.96
    least = 0.93 * TRIALS - 3.0 * math.sqrt(TRIALS * 0.93 * 0.07)
    assert held >= least
    assert abs(float(np.mean(off))) < 0.6
    if equal >= 12:
        assert bare < least


@pytest.mark.slow
def test_fast_and_slow_noise_lift_by_the_sum() -> None:
    """Ten blocks of thirty means: one error to a block, another to each mean."""
    rng = np.random.default_rng(3)
    parts = [NoisePart(1.0, 1.0), NoisePart(4.0, 30.0)]
    held, off = 0, []
    for _ in range(TRIALS):
        means = 2.0 * np.repeat(rng.standard_normal(10), 30) + rng.standard_normal(300)
        high, u = stands_high(means, 1.0, parts)
        off.append(float(means.max()) - high)
        held += abs(off[-1]) <= 1.96 * math.hypot(math.sqrt(5.0), u)
    assert held >= 0.93 * TRIALS - 3.0 * math.sqrt(TRIALS * 0.93 * 0.07)
    assert abs(float(np.mean(off))) < math.sqrt(5.0)
