"""Numbers with units as a person types them."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities.typed import typed_in, typed_number, typed_parts
from calibration.quantities.units import UnitError, convert, units_of


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ("187.9 lbf", [(187.9, "lbf")]),
        ("187.9lbf", [(187.9, "lbf")]),
        ("50", [(50.0, "")]),
        ("50 400123", [(50.0, ""), (400123.0, "")]),
        ("18.5 kip 400123", [(18.5, "kip"), (400123.0, "")]),
        ("+51 tf", [(51.0, "tf")]),
        ("\u221250,5 kN", [(-50.5, "kN")]),
        ("1.5e3 N", [(1500.0, "N")]),
        ("70 \u00b0F", [(70.0, "\u00b0F")]),
        ("  .5  ", [(0.5, "")]),
        ("", []),
    ],
)
def test_numbers_with_their_units(words: str, parts: list[tuple[float, str]]) -> None:
    assert typed_parts(words, "it") == parts


@pytest.mark.parametrize(
    "words",
    [
        "kN",
        "many",
        "nan",
        "inf",
        "1e400",
        "5..3",
        "5,3.1",
        "1_000",
        "--5",
        "112,404 lbf",
        "5 - 3",
    ],
)
def test_what_is_no_number_is_refused(words: str) -> None:
    with pytest.raises(UnitError, match="it is"):
        typed_parts(words, "it")


def test_a_comma_that_may_stand_for_thousands_is_asked_about() -> None:
    with pytest.raises(UnitError, match="is the comma a decimal one"):
        typed_number("112,404", "force")
    assert typed_number("12,5", "force") == 12.5
    assert typed_number("112,4045", "force") == 112.4045


def test_an_unknown_unit_is_refused_by_its_name() -> None:
    with pytest.raises(UnitError, match=r"'furlong' is not a unit of force; allowed: .*lbf"):
        typed_in(5.0, "furlong", quantity="force", plain="kN", to="kN")
    with pytest.raises(UnitError, match="'psi' is not a unit of force"):
        typed_in(5.0, "psi", quantity="force", plain="kN", to="kN")


def test_published_values_of_the_units_typed_most() -> None:
    """1 lbf = 4.4482216152605 N exactly (0.45359237 kg by 9.80665 m/s²); 1 kip = 1000 lbf."""
    assert typed_in(187.9, "lbf", quantity="force", plain="kN", to="kN") == pytest.approx(
        187.9 * 4.4482216152605e-3, rel=1e-15
    )
    assert typed_in(18.5, "kip", quantity="force", plain="kN", to="kN") == pytest.approx(
        18.5 * 4.4482216152605, rel=1e-15
    )
    assert typed_in(42.0, "tf", quantity="force", plain="kN", to="kN") == pytest.approx(
        42.0 * 9.80665, rel=1e-15
    )


@given(st.floats(-1e6, 1e6), st.sampled_from(["", *units_of("force")]))
def test_every_unit_of_force_is_honoured(value: float, unit: str) -> None:
    words = f"{value!r} {unit}"
    ((number, found),) = typed_parts(words, "force")
    assert (number, found) == (value, unit)
    made = typed_in(number, found, quantity="force", plain="lbf", to="kN")
    assert made == pytest.approx(float(convert(value, unit or "lbf", "kN")))


@given(st.text(max_size=20))
def test_any_text_is_numbers_or_refused(words: str) -> None:
    parts: list[tuple[float, str]] = []
    with contextlib.suppress(UnitError):  # anything else fails the test
        parts = typed_parts(words, "it")
    assert all(math.isfinite(number) for number, _ in parts)
