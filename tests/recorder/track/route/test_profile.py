"""Exact integrals of piecewise linear profiles."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from recorder.track.route.profile import Profile

SAMPLE = Profile([0.0, 100.0, 250.0, 300.0], [0.0, 0.01, -0.02], [0.01, 0.01, 0.005])


@pytest.mark.parametrize(("a", "b"), [(0, 300), (20, 90), (90, 260), (251, 299)])
def test_integrals_against_quadrature(a: float, b: float) -> None:
    def y(s: float) -> float:
        return float(SAMPLE.value(s))

    def first(s: float) -> float:
        return float(SAMPLE.integral(s))

    breaks = [100.0, 250.0]
    area, _ = quad(y, a, b, points=breaks, limit=200)
    assert first(b) - first(a) == pytest.approx(area, abs=1e-9)


@given(
    st.lists(st.floats(0.5, 500.0), min_size=1, max_size=20),
    st.randoms(use_true_random=False),
)
@settings(max_examples=50, deadline=None)
def test_mean_of_parts_is_mean_of_whole(lengths: list[float], random: Random) -> None:
    rng = np.random.default_rng(random.randrange(2**32))
    s = np.concatenate(([0.0], np.cumsum(lengths)))
    profile = Profile(s, rng.normal(size=len(lengths)), rng.normal(size=len(lengths)))
    cuts = np.unique(np.concatenate(([s[0]], rng.uniform(s[0], s[-1], 5), [s[-1]])))
    parts = profile.mean(cuts[:-1], cuts[1:]) * np.diff(cuts)
    assert parts.sum() == pytest.approx(float(profile.mean(s[0], s[-1])) * s[-1], abs=1e-9)


def test_what_is_not_known_stays_not_known() -> None:
    profile = Profile([0, 10, 20, 30], [1.0, np.nan, 2.0], [1.0, np.nan, 2.0])
    assert np.isnan(profile.value([-1.0, 15.0, 31.0])).all()
    assert profile.value([0.0, 5.0, 25.0, 30.0]).tolist() == [1.0, 1.0, 2.0, 2.0]
    assert float(profile.unknown_length(5.0, 25.0)) == 10.0
    assert float(profile.unknown_length(-5.0, 35.0)) == 20.0
    assert float(profile.unknown_length(40.0, 50.0)) == 10.0
    assert np.isnan(float(profile.mean(5.0, 25.0)))
    assert float(profile.mean(21.0, 29.0)) == 2.0


@pytest.mark.parametrize(
    ("s", "left", "right"),
    [([0.0], [], []), ([0.0, 1.0], [1.0, 2.0], [1.0, 2.0]), ([0.0, 0.0], [1.0], [1.0])],
)
def test_shapes_that_are_no_profile_are_refused(
    s: list[float], left: list[float], right: list[float]
) -> None:
    with pytest.raises(ValueError, match="profile"):
        Profile(s, left, right)
