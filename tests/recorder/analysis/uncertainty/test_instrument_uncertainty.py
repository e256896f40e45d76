"""A calibration's two parts are its uncertainty at every force, and act as their signs say."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.recorder.analysis.drawn_runs import CERTIFICATE, INSTRUMENTS


@given(st.floats(-300.0, 300.0), st.floats(0.0, 1.0), st.floats(0.0, 0.02), st.floats(0.0, 0.5))
def test_the_parts_are_the_curve_at_any_force(
    force_kN: float, absolute: float, relative: float, dip: float
) -> None:
    """Some curves fall before they rise."""

    def curve(force: float) -> float:
        fallen = 1.0 - dip * math.exp(-(((abs(force) - 100.0) / 40.0) ** 2))
        return math.hypot(absolute, relative * force) * fallen

    instruments = replace(INSTRUMENTS, pull_u_kN=curve)
    parts = instruments.calibration(force_kN)
    assert math.hypot(*parts.values()) == pytest.approx(curve(force_kN), abs=1e-12)
    assert parts.get(CERTIFICATE, 0.0) * force_kN >= 0.0
    assert parts.get(instruments.unloaded_cause, 0.0) >= 0.0


def test_work_is_the_sum_of_its_forces() -> None:
    instruments = replace(INSTRUMENTS, pull_u_kN=lambda force: math.hypot(0.2, 0.003 * force))
    force, metres = np.array([40.0, -20.0, 0.0]), np.array([3.0, -5.0, 2.0])
    parts = instruments.calibration_kJ(force, metres)
    assert parts[CERTIFICATE] == pytest.approx(0.003 * (40.0 * 3.0 + 20.0 * 5.0), rel=1e-3)
    assert parts[instruments.unloaded_cause] == pytest.approx(0.0, abs=1e-12)


def test_the_causes_are_told_apart_in_words() -> None:
    assert INSTRUMENTS.pull_cause.label == "certificate F-1"
    assert INSTRUMENTS.unloaded_cause.label == "certificate F-1 without load"
