"""Numbers and units as a person reads them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities.units import UnitError
from calibration.quantities.written import (
    NO_VALUE,
    lasting,
    many,
    short_time,
    symbol,
    typeset,
    written,
)


def test_thin_spaces_true_minus_and_no_minus_zero() -> None:
    """SI Brochure, 9th edition, 5.4.4: groups of three, thin spaces, no comma."""
    assert written(-12345.6, 0) == "−12\u2009346"
    assert written(1234567.891, 2) == "1\u2009234\u2009567.89"
    assert written(-0.2, 0) == "0"
    assert written(187.44, 1, sign=True) == "+187.4"
    assert written(0.04, 1, sign=True) == "0.0"


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_no_number_is_shown_as_none(value: float | None) -> None:
    assert written(value, 1) == NO_VALUE


def test_digits_already_there() -> None:
    assert typeset("-22481.09") == "−22\u2009481.09"
    assert typeset("-0.5") == "−0.5"
    assert typeset("-1.5e-07") == "−1.5e−07"


@given(st.floats(-1e12, 1e12), st.integers(0, 4))
def test_the_digits_are_those_of_the_number(value: float, decimals: int) -> None:
    text = written(value, decimals).replace("\u2009", "").replace("−", "-")
    assert float(text) == pytest.approx(round(value, decimals), abs=1e-9, rel=1e-12)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(12.5, "12.5 s"), (119.0, "119 s"), (150.0, "2 min"), (3599.0, "1 h 00 min"),
     (6480.0, "1 h 48 min")],
)  # fmt: skip
def test_how_long_it_lasted_to_the_minute(seconds: float, words: str) -> None:
    assert lasting(seconds) == words


def test_symbols() -> None:
    assert [symbol(u) for u in ("km_h", "m_s2", "hp_h", "kN", "short_tons")] == [
        "km/h", "m/s²", "hp·h", "kN", "short tons",
    ]  # fmt: skip
    with pytest.raises(UnitError, match="furlong"):
        symbol("furlong")


@pytest.mark.parametrize(("n", "words"), [(0, "0 gaps"), (1, "1 gap"), (2000, "2,000 gaps")])
def test_one_thing_is_no_several(n: int, words: str) -> None:
    assert many(n, "gap") == words


@pytest.mark.parametrize(
    ("u_s", "words"),
    [
        (None, "not known"),
        (math.nan, "not known"),
        (0.0, "0 µs"),
        (3e-6, "3.0 µs"),
        (2e-4, "0.20 ms"),
        (5e-4, "0.50 ms"),
        (0.04, "0.040 s"),
        (7.2e4, "72\u2009000 s"),
    ],
)
def test_short_times(u_s: float | None, words: str) -> None:
    assert short_time(u_s) == words
