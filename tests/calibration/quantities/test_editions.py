"""Units as shown, against exact definitions."""

from __future__ import annotations

import math

import pytest
from scipy import constants

from calibration.quantities.editions import Edition, shown_quantity, shown_unit
from calibration.quantities.units import exact_ratio
from calibration.quantities.written import NO_VALUE

CUSTOMARY = {
    "pull": 1000.0 / constants.lbf,
    "speed": 1.0 / constants.mph,
    "power": 1000.0 / constants.hp,
    "work": 1000.0 / (constants.hp * constants.hour),
    "distance": 1.0 / constants.mile,
    "short_distance": 1.0 / constants.foot,
    "acceleration": 1.0 / constants.mph,  # m/s² → mph a second
}


@pytest.mark.parametrize("quantity", CUSTOMARY)
def test_customary_factors_agree_with_scipy(quantity: str) -> None:
    unit = shown_quantity(quantity, "customary")
    assert unit.factor == pytest.approx(CUSTOMARY[quantity], rel=1e-12)


def test_metric_is_what_the_trade_reads() -> None:
    assert shown_quantity("speed", "metric").text(12.5) == "45.0"
    assert shown_quantity("distance", "metric").text(1234.4) == "1.234"
    assert shown_quantity("work", "metric").text(2500.0) == "2.5"


@pytest.mark.parametrize("edition", Edition)
@pytest.mark.parametrize(("quantity", "unit"), [("pull", "counts"), ("distance", "pulses")])
def test_what_is_not_in_its_si_unit_is_shown_in_the_unit_it_has(
    quantity: str, unit: str, edition: Edition
) -> None:
    shown = shown_quantity(quantity, edition, inside=unit)
    assert (shown.label, shown.factor, shown.decimals) == (unit, 1.0, 0)
    inside = {"pull": "kN", "distance": "m"}[quantity]
    assert shown_quantity(quantity, edition, inside=inside) == shown_quantity(quantity, edition)


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_no_number_is_shown_as_none(value: float | None) -> None:
    assert shown_quantity("pull", "metric").text(value) == NO_VALUE


def test_an_unknown_quantity_keeps_its_unit() -> None:
    unit = shown_quantity("boiler_pressure", "customary", inside="Pa")
    assert (unit.label, unit.factor) == ("Pa", 1.0)


def test_a_third_system_is_refused() -> None:
    with pytest.raises(ValueError, match="metric or customary"):
        shown_quantity("pull", "imperial")
    with pytest.raises(ValueError, match="metric or customary"):
        shown_unit("kN", "")
    assert Edition("metric").other == "customary"
    assert Edition("customary").other == "metric"


def test_the_trades_words_of_the_customary_edition() -> None:
    """Pounds, miles an hour a second, pounds a ton (from experience)."""
    pull = shown_quantity("pull", "customary")
    assert (pull.label, pull.text(100.0)) == ("lbf", "22\u2009481")
    assert shown_quantity("acceleration", "customary").label == "mph/s"
    assert shown_unit("N/t", "customary").label == "lb/ton"


@pytest.mark.parametrize(
    ("inside", "label", "factor"),
    [
        # One pound a short ton is 4.903325 N/t; one mph is 1.609344 km/h; exact.
        ("N/t/(km/h)", "lb/ton/mph", 1.609344 / 4.903325),
        ("N/t/(km/h)²", "lb/ton/mph²", 1.609344**2 / 4.903325),
        ("kg/kWh", "lb/(hp·h)", 0.7456998715822702 / 0.45359237),
        ("L/kWh", "gal/(hp·h)", 0.7456998715822702 / 3.785411784),
        ("kg/(hp·h)", "lb/(hp·h)", 1.0 / 0.45359237),
    ],
)
def test_quotients(inside: str, label: str, factor: float) -> None:
    shown = shown_unit(inside, "customary")
    assert shown.label == label
    assert shown.factor == pytest.approx(factor, rel=1e-14)
    same = shown_unit(inside, "metric")
    assert (same.label, same.factor) == (inside, 1.0)


def test_ratios_are_rounded_once() -> None:
    assert exact_ratio("m_s", "km_h") == 3.6
    assert exact_ratio("kWh", "kJ") == 3600.0
    with pytest.raises(ValueError, match="no ratio of C"):
        exact_ratio("C", "K")
    with pytest.raises(ValueError, match="no ratio of kN"):
        exact_ratio("kN", "m")
