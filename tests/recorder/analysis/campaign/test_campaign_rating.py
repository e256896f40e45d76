"""The pull between the speed bands, from which loads and balancing speeds are worked."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from recorder.analysis.campaign.campaign_rating import pull_curve
from recorder.analysis.specification.bands import Band
from recorder.analysis.specification.verdicts import Verdict
from recorder.analysis.uncertainty.measured import Measured

SPEEDS_M_S = (6.9, 9.7, 12.5, 15.3)


def band(speed_m_s: float, pull_kN: float) -> Band:
    return Band(
        low_m_s=speed_m_s - 1.4,
        high_m_s=speed_m_s + 1.4,
        stretches=1,
        speed=Measured(speed_m_s, "m/s"),
        pull=Measured(pull_kN, "kN"),
        power=Measured(pull_kN * speed_m_s, "kW"),
        margin=None,
        limit_kN=math.nan,
        admitted=1,
        verdict=Verdict.NOT_SPECIFIED,
        probability=math.nan,
    )


def power(v: float) -> float:
    return 1400.0 / v


def level(v: float) -> float:
    """Held by adhesion, which falls slowly."""
    return 180.0 - 2.0 * v


def steam(v: float) -> float:
    return float(195.0 / (1.0 + (v / 7.5) ** 3) ** (1.0 / 3.0) - 5.0)


@pytest.mark.parametrize("law", [power, level, steam])
def test_between_the_bands_the_interval_holds_the_pull(law: Callable[[float], float]) -> None:
    """Of a constant power, of adhesion, of a boiler: bands without any error of their own."""
    at = pull_curve([band(v, law(v)) for v in SPEEDS_M_S])
    assert at is not None
    for v in np.linspace(SPEEDS_M_S[0], SPEEDS_M_S[-1], 60).tolist():
        found = at(v)
        assert abs(found.value - law(v)) <= found.expanded + 1e-9, v
    for v in SPEEDS_M_S:
        assert at(v).value == pytest.approx(law(v), rel=1e-9)


def test_beyond_the_bands_it_is_that_of_the_nearest() -> None:
    at = pull_curve([band(v, power(v)) for v in SPEEDS_M_S])
    assert at is not None
    assert at(2.0).value == pytest.approx(power(SPEEDS_M_S[0]))
    assert at(30.0).value == pytest.approx(power(SPEEDS_M_S[-1]))


def test_one_band_is_all_there_is_and_none_is_nothing() -> None:
    at = pull_curve([band(9.7, 140.0)])
    assert at is not None
    assert at(4.0).value == 140.0
    assert pull_curve([]) is None
