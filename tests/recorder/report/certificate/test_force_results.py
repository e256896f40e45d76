from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from recorder.report.certificate.force_results import line_above, two_digits


@given(st.lists(st.floats(1e-6, 10.0), min_size=2, max_size=30), st.floats(0.1, 1e4))
def test_a_bound_is_nowhere_below_and_touches(values: list[float], reach: float) -> None:
    force, U = np.linspace(0.0, reach, len(values)), np.array(values)
    offset, slope = line_above(force, U)
    room = offset + slope * force - U
    assert offset >= 0.0
    assert slope >= 0.0
    assert np.all(room >= -1e-6 * U.max())
    assert room.min() <= 1e-6 * U.max()


@given(st.floats(1e-6, 1e4))
def test_an_uncertainty_has_two_digits_and_no_exponent(value: float) -> None:
    shown = two_digits(value)
    assert "e" not in shown
    assert abs(float(shown) - value) <= 0.051 * value
