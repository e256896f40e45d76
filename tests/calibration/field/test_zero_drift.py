"""What a zero may do unseen: by certificate where it says so, by usual values where not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.certificates.force import ForceCertificate
from calibration.field.zero_drift import zero_drift_of


def certificate(**figures: Any) -> ForceCertificate:
    """500 kN of capacity, certified to 400 kN, with what its bench found."""
    held = {name: {"value": value} for name, value in figures.items()}
    return ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=500.0, range_kN=(-400.0, 400.0),
        details={"results": {"figures": held}} if figures else None,
    )  # fmt: skip


def test_without_figures_the_usual_values_hold() -> None:
    """0.05 % at once, 0.1 % an hour, 0.3 % at most, 0.002 % a kelvin, of 500 kN (common
    practice)."""
    drift = zero_drift_of(certificate())
    assert drift.u_kN([0.0, 3600.0, 1e6]) == pytest.approx([0.0, 0.75, 1.5])
    assert drift.u_kN(3600.0, span_K=10.0) == pytest.approx(math.hypot(0.75, 0.1))
    assert "values from experience" in drift.source


def test_the_certificate_goes_before_the_usual_values() -> None:
    """0.03 % of 400 kN zero return, 0.06 % creep, 0.004 % a kelvin: rectangular each, and so over
    √3 (JCGM 100:2008, 4.3.7; from memory)."""
    drift = zero_drift_of(
        certificate(zero_return=-0.03, creep=0.06, temperature_effect_zero=0.004)
    )
    assert drift.at_once_kN == pytest.approx(0.24 / math.sqrt(3.0))
    assert drift.per_K_kN == pytest.approx(0.016 / math.sqrt(3.0))
    assert (
        drift.source
        == "zero return and effect of temperature by certificate, else values from experience"
    )


def test_without_a_creep_the_zero_return_stands_alone() -> None:
    drift = zero_drift_of(certificate(zero_return=0.03))
    assert drift.at_once_kN == pytest.approx(0.12 / math.sqrt(3.0))


def test_creep_alone_does_not_say_that_the_zero_comes_back() -> None:
    assert zero_drift_of(certificate(creep=0.001)).at_once_kN == pytest.approx(0.25)


@pytest.mark.parametrize("value", [None, "steps", True, math.nan, [], {}])
def test_a_figure_that_is_no_number_is_none(value: Any) -> None:
    assert zero_drift_of(certificate(zero_return=value)).at_once_kN == pytest.approx(0.25)


@given(st.lists(st.floats(0.0, 1e6), min_size=2, max_size=10), st.floats(0.0, 60.0))
def test_longer_away_is_never_surer(seconds: list[float], span_K: float) -> None:
    u = zero_drift_of(certificate()).u_kN(sorted(seconds), span_K=span_K)
    assert np.all(np.diff(u) >= 0.0)
