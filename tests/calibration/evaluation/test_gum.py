from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.evaluation.gum import (
    arcsine,
    combine,
    combine_correlated,
    coverage_factor,
    effective_dof,
    rectangular,
    relative_doubt_dof,
    triangular,
)


def test_gum_h1_end_gauge_budget() -> None:
    """GUM (JCGM 100:2008) H.1: u = 32 nm; components, dof as printed; k = 2.92, U = 93 nm."""
    components = {
        "standard": (25.0, 18.0),
        "thermal difference": (16.599, 2.0),
        "systematic of comparator": (6.7, 8.0),
        "repeats": (5.8, 24.0),
        "random of comparator": (3.9, 5.0),
        "expansion difference": (2.88679, 50.0),
    }
    u = [value for value, _ in components.values()]
    dof = [d for _, d in components.values()]
    combined, effective = float(combine(u)), float(effective_dof(u, dof))
    assert combined == pytest.approx(32.0, abs=0.5)
    assert combined == pytest.approx(31.66386517, rel=1e-9)
    assert effective == pytest.approx(16.751895, rel=1e-6)
    k = float(coverage_factor(effective, level=0.99, truncate=True))
    assert k == pytest.approx(2.92, abs=5e-3)
    assert k * 32.0 == pytest.approx(93.0, abs=0.6)


def test_gum_h1_type_b_inputs() -> None:
    """H.1: ± 1e-6 rectangular on 0.05 m · 0.1 K, ± 0.05 K rectangular, 0.5 K arcsine."""
    length_nm = 50_000_623.0
    assert length_nm * 0.1 * rectangular(1e-6) == pytest.approx(2.88679, rel=1e-4)
    assert length_nm * 11.5e-6 * rectangular(0.05) == pytest.approx(16.599, rel=1e-4)
    assert arcsine(0.5) == pytest.approx(0.35, abs=5e-3)
    assert triangular(math.sqrt(6.0)) == pytest.approx(1.0)


def test_degrees_of_freedom_of_a_doubtful_component() -> None:
    """GUM G.4.2: 25 % doubt is 8 degrees of freedom; H.1 uses 10 % as 50."""
    assert relative_doubt_dof(0.25) == pytest.approx(8.0)
    assert relative_doubt_dof(0.10) == pytest.approx(50.0)
    assert math.isinf(relative_doubt_dof(0.0))


def test_gum_h2_impedance_with_correlated_inputs() -> None:
    """GUM H.2: R = 127.732 (70 or 71), X = 219.847 (295), Z = 254.260 (236), in milliohm
    (published: 0.071, 0.295, 0.236 ohm; r = -0.588, -0.485, 0.993)."""
    volt, ampere, phase = 4.999, 19.661e-3, 1.04446
    u = np.array([0.0032, 9.5e-6, 0.00075])
    r = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    covariance = r * np.outer(u, u)
    z = volt / ampere
    cos, sin = math.cos(phase), math.sin(phase)
    jacobian = [
        [cos / ampere, -volt * cos / ampere**2, -z * sin],
        [sin / ampere, -volt * sin / ampere**2, z * cos],
        [1.0 / ampere, -volt / ampere**2, 0.0],
    ]
    result = combine_correlated(jacobian, covariance)
    errors = np.sqrt(np.diag(result))
    assert (z * cos, z * sin, z) == pytest.approx((127.732, 219.847, 254.260), abs=5e-3)
    assert errors[0] == pytest.approx(0.071, abs=2e-3)
    assert errors[1] == pytest.approx(0.295, abs=6e-3)
    assert errors[2] == pytest.approx(0.236, abs=5e-3)
    correlation = result / np.outer(errors, errors)
    assert correlation[0, 1] == pytest.approx(-0.59, abs=0.02)
    assert correlation[0, 2] == pytest.approx(-0.49, abs=0.02)
    assert correlation[1, 2] == pytest.approx(0.99, abs=0.01)


def test_gum_h3_prediction_from_correlated_coefficients() -> None:
    """GUM H.3: b(30 C) = -0.1494, u = 0.0041 from s1 = 0.0029, s2 = 0.00067, r = -0.930."""
    s1, s2, r = 0.0028775978, 0.00066793877, -0.93042960
    covariance = [[s1**2, r * s1 * s2], [r * s1 * s2, s2**2]]
    u = float(np.sqrt(combine_correlated([[1.0, 10.0]], covariance)[0, 0]))
    assert u == pytest.approx(0.0041, abs=5e-5)


def test_welch_satterthwaite_over_forces() -> None:
    u = np.array([[3.0, 0.0, 3.0], [4.0, 4.0, 0.0]])
    dof = effective_dof(u, [4.0, math.inf])
    assert dof[0] == pytest.approx(625.0 / (81.0 / 4.0))
    assert math.isinf(dof[1])
    assert dof[2] == pytest.approx(4.0)


def test_coverage_factor_limits() -> None:
    """Student's table: t0.975(1) = 12.71, (2) = 4.303, (10) = 2.228, infinity 1.960."""
    k = coverage_factor([0.3, 1.0, 2.0, 10.0, math.inf])
    assert k == pytest.approx([12.706, 12.706, 4.303, 2.228, 1.960], rel=1e-3)
