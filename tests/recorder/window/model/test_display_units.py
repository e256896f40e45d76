"""Units on the screen, against exact definitions."""

from __future__ import annotations

import math

import pytest
from scipy import constants

from recorder.window.model.shown.display_units import NO_VALUE, display_unit, other_system

CUSTOMARY = {
    "pull": 1.0 / constants.lbf,  # kN → thousands of pounds-force
    "speed": 1.0 / constants.mph,
    "power": 1000.0 / constants.hp,
    "work": 1000.0 / (constants.hp * constants.hour),
    "distance": 1.0 / constants.mile,
    "short_distance": 1.0 / constants.foot,
    "acceleration": 1.0 / constants.foot,
}


@pytest.mark.parametrize("quantity", CUSTOMARY)
def test_customary_factors_agree_with_scipy(quantity: str) -> None:
    unit = display_unit(quantity, "customary")
    assert unit.factor == pytest.approx(CUSTOMARY[quantity], rel=1e-12)


def test_metric_is_what_the_trade_reads() -> None:
    assert display_unit("speed", "metric").text(12.5) == "45.0"
    assert display_unit("distance", "metric").text(1234.4) == "1.234"
    assert display_unit("work", "metric").text(2500.0) == "2.5"


def test_numbers_have_thin_spaces_true_minus_and_no_minus_zero() -> None:
    power = display_unit("power", "metric")
    assert power.text(-12345.6) == "−12\u2009346"
    assert power.text(-0.2) == "0"
    pull = display_unit("pull", "metric")
    assert pull.text(187.44, sign=True) == "+187.4"
    assert pull.text(0.04, sign=True) == "0.0"


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_no_number_is_shown_as_none(value: float | None) -> None:
    assert display_unit("pull", "metric").text(value) == NO_VALUE


def test_an_unknown_quantity_keeps_its_unit() -> None:
    unit = display_unit("boiler_pressure", "customary", run_unit="Pa")
    assert (unit.label, unit.factor) == ("Pa", 1.0)


def test_a_third_system_is_refused() -> None:
    with pytest.raises(ValueError, match="metric or customary"):
        display_unit("pull", "imperial")
    assert other_system("metric") == "customary"
    assert other_system("customary") == "metric"
