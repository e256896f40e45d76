"""Student's characteristic function against the integral that defines it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from calibration.statistics.student_characteristic import student_characteristic


@pytest.mark.parametrize("dof", [2.5, 3.0, 4.0, 5.0, 7.5, 40.0, 119.0, 120.0, 500.0])
def test_it_is_the_mean_cosine(dof: float) -> None:
    for z in (0.05, 0.4, 1.3, 3.0):
        wanted, error = integrate.quad(
            stats.t(dof).pdf, 0.0, math.inf, weight="cos", wvar=z, limit=400
        )
        found = student_characteristic(np.array([z]), dof)[0]
        assert found == pytest.approx(2.0 * wanted, abs=1e-8 + 4.0 * error)


def test_closed_forms() -> None:
    z = np.array([0.0, 1e-9, 0.01, 0.7, 2.0, 9.0])
    assert student_characteristic(z, 1.0) == pytest.approx(np.exp(-z))
    y = math.sqrt(3.0) * z
    assert student_characteristic(z, 3.0) == pytest.approx((1.0 + y) * np.exp(-y))
    two = np.sqrt(2.0) * z[1:]
    assert student_characteristic(z[1:], 2.0) == pytest.approx(two * special.kv(1, two))
    assert student_characteristic(z, 1e9) == pytest.approx(np.exp(-(z**2) / 2.0), abs=1e-8)


def test_the_ways_to_work_it_out_meet() -> None:
    z = np.linspace(0.0, 8.0, 40)
    below, above = (student_characteristic(z, dof) for dof in (119.999999, 120.0))
    assert above == pytest.approx(below, abs=1e-9)
    assert student_characteristic(z, 6.0) == pytest.approx(
        student_characteristic(z, 6.0 + 1e-9), abs=1e-7
    )
    assert student_characteristic(np.array([0.0]), 7.5)[0] == 1.0


def test_the_expansion_follows_the_recurrence_of_bessels_function() -> None:
    """φ of 120 from those of 118 and 116 degrees of freedom, at one y = √ν z (NIST DLMF 10.29.1,
    from memory)."""
    y = np.linspace(0.0, 60.0, 61)
    lower, upper, next_up = (
        student_characteristic(y / math.sqrt(dof), dof) for dof in (116.0, 118.0, 120.0)
    )
    assert next_up == pytest.approx(upper + y**2 * lower / (4.0 * 59.0 * 58.0), abs=4e-12)
