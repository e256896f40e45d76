"""Piecewise linear profiles: their integrals are exact."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_feeds.physics.profile import LineQuantity

NODES = st.lists(st.tuples(st.floats(0.5, 900.0), st.floats(-1.0, 1.0)), min_size=2, max_size=8)


@settings(max_examples=40, deadline=None)
@given(NODES, st.floats(-500.0, 3000.0), st.floats(1.0, 400.0))
def test_integrals_agree_with_fine_sums(
    nodes: list[tuple[float, float]], at: float, span: float
) -> None:
    """Against the midpoint rule on 20 000 steps, an independent way to the same number."""
    profile = LineQuantity(np.cumsum([x for x, _ in nodes]), np.array([y for _, y in nodes]))
    edges = np.linspace(at, at + span, 20_001)
    middle = 0.5 * (edges[1:] + edges[:-1])
    values = profile.value(middle)
    first = float(profile.integral(at + span) - profile.integral(at))
    assert first == pytest.approx(float(values.mean()) * span, abs=2e-6 * span)
    assert float(profile.mean(at, at + span)) == pytest.approx(first / span)
    second = float(profile.second_integral(at + span) - profile.second_integral(at))
    summed = float(profile.integral(middle).mean()) * span
    assert second == pytest.approx(summed, abs=1e-5 * span * (1.0 + abs(at) + span))


@pytest.mark.parametrize(
    ("x", "y"), [([0.0], [1.0]), ([0.0, 0.0], [1.0, 2.0]), ([1.0, 0.0], [1.0, 2.0])]
)
def test_nodes_must_rise(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match="profile"):
        LineQuantity(np.array(x), np.array(y))
