from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from calibration.quantities.units import (
    UNITS,
    UnitError,
    convert,
    factor,
    find_unit,
    split_column,
    units_of,
)


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        ("lbf", constants.lbf),
        ("kgf", constants.kgf),
        ("in", constants.inch),
        ("ft", constants.foot),
        ("mi", constants.mile),
        ("mph", constants.mph),
        ("km_h", constants.kmh),
        ("kn", constants.knot),
        ("hp", constants.hp),
        ("lb", constants.lb),
        ("long_ton", constants.long_ton),
        ("short_ton", constants.short_ton),
        ("psi", constants.psi),
        ("bar", constants.bar),
        ("us_survey_ft", constants.survey_foot),
        ("gal", constants.gallon_US),
        ("gal_imp", constants.gallon_imp),
        ("deg", constants.degree),
    ],
)
def test_factor_agrees_with_scipy_constants(unit: str, expected: float) -> None:
    assert factor(unit) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        # Exact by definition: 0.45359237 kg, 9.80665 m/s², 0.3048 m.
        ("lbf", 4.4482216152605),
        ("tonf_short", 8896.443230521),
        ("tonf_long", 9964.016418183519),
        ("hp", 745.6998715822702),
        ("psi", 6894.757293168361),
        ("hp_metric", 735.49875),
    ],
)
def test_factor_is_exact(unit: str, expected: float) -> None:
    assert factor(unit) == pytest.approx(expected, rel=3e-16)


def test_temperatures_have_an_offset() -> None:
    assert convert(32.0, "F", "C") == pytest.approx(0.0, abs=1e-12)
    assert convert(20.0, "C", "K") == 293.15
    with pytest.raises(UnitError, match="offset"):
        factor("C")


def test_beyond_float64_is_infinite_not_an_error() -> None:
    assert convert(3e304, "psi", "Pa") == math.inf
    assert convert(-1e308, "F", "K") == pytest.approx(-1e308 / 9 * 5)


def test_whole_ratios_are_exact() -> None:
    assert convert(12.0, "in", "ft") == pytest.approx(1.0, abs=0)
    assert convert(1.5, "kN", "N") == 1500.0
    assert convert(5280.0, "ft", "mi") == pytest.approx(1.0, rel=1e-15)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("pull_kN", ("pull", "kN")),
        ("pull_lbf", ("pull", "lbf")),
        ("speed_km_h", ("speed", "km_h")),
        ("speed_m_s", ("speed", "m_s")),
        ("acceleration_m_s2", ("acceleration", "m_s2")),
        ("work_hp_h", ("work", "hp_h")),
        ("mass_short_tons", ("mass", "short_tons")),
        ("drawbar_pull_tf", ("drawbar_pull", "tf")),
        ("remark", ("remark", "")),
        ("kN", ("kN", "")),
    ],
)
def test_split_column(name: str, expected: tuple[str, str]) -> None:
    assert split_column(name) == expected


def test_capitals_are_forgiven_only_where_one_unit_can_be_meant() -> None:
    assert find_unit("KN", quantity="force").name == "kN"
    assert find_unit("kn", quantity="force").name == "kN"
    assert find_unit("kn").name == "kn"
    with pytest.raises(UnitError, match="allowed: N, kN"):
        find_unit("mn", quantity="force")


def test_unknown_and_mismatched_units_are_named() -> None:
    with pytest.raises(UnitError, match="'furlong'"):
        factor("furlong")
    with pytest.raises(UnitError, match=r"kN \(force\) to m \(length\)"):
        convert(1.0, "kN", "m")


@given(
    st.sampled_from(sorted(name for name in UNITS if UNITS[name].quantity == "force")),
    st.floats(-1e9, 1e9),
)
def test_there_and_back(unit: str, value: float) -> None:
    back = convert(convert(value, unit, "kN"), "kN", unit)
    assert math.isclose(float(back), value, rel_tol=1e-14, abs_tol=1e-300)


def test_convert_keeps_shape_and_leaves_the_input_alone() -> None:
    values = np.array([[1.0, 2.0], [3.0, 4.0]])
    result = convert(values, "kN", "kN")
    result[0, 0] = 99.0
    assert result.shape == (2, 2)
    assert values[0, 0] == 1.0


def test_every_quantity_lists_its_units_without_aliases() -> None:
    assert "km_h" in units_of("speed")
    assert "km/h" not in units_of("speed")
    assert units_of("beauty") == ()
