"""Kinds of marks: each has a key; values are kept in one form or refused in one line."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.marks.kinds import (
    DEFAULT_KEYS,
    KINDS,
    MarkValueError,
    check_keys,
    check_value,
    find_kind,
    keys_for,
)


def test_every_kind_has_a_key_of_its_own() -> None:
    assert len(DEFAULT_KEYS) == len(KINDS)
    assert all(len(key) == 1 and key.isupper() for key in DEFAULT_KEYS)


@pytest.mark.parametrize(
    "kind",
    [
        "milepost", "weather", "signal", "station", "curve", "grade", "throttle", "brake",
        "fuel", "water", "remark",
    ],
)  # fmt: skip
def test_what_a_crew_marks_is_there_and_may_be_keyed_bare(kind: str) -> None:
    assert check_value(kind, "") == ""


@pytest.mark.parametrize(
    ("kind", "typed", "kept"),
    [
        ("milepost", " 12 ", "12"),
        ("milepost", "12,250", "12.25"),
        ("milepost", "-0", "0"),
        ("grade", "+0.8 %", "0.8"),
        ("grade", "-1.25", "-1.25"),
        ("throttle", "5", "5"),
        ("throttle", "80 %", "80 %"),
        ("throttle", "half   open", "half open"),
        ("brake", "ON", "on"),
        ("brake", "70", "70 kPa"),
        ("brake", "10 PSI", "10 psi"),
        ("fuel", "250 kg", "used 250 kg"),
        ("fuel", "LEVEL 3200 l +/- 40", "level 3200 L ± 40"),
        ("water", "added 4,5 m3", "added 4.5 m3"),
        ("regulator", "", ""),
        ("remark", "sheep on\nthe line", "sheep on the line"),
    ],
)
def test_values_are_kept_in_one_form(kind: str, typed: str, kept: str) -> None:
    assert check_value(kind, typed) == kept
    assert check_value(kind, kept) == kept


@pytest.mark.parametrize(
    ("kind", "typed", "allowed"),
    [
        ("milepost", "twelve", "a milepost number"),
        ("milepost", "1e9", "a milepost number"),
        ("milepost", "nan", "a milepost number"),
        ("grade", "30", "at most 15"),
        ("throttle", "120 %", "from 0 to 100"),
        ("brake", "maybe", "on, off, apply"),
        ("fuel", "250", "an amount and its unit"),
        ("water", "used 3 buckets", "an amount and its unit"),
        ("remark", "x" * 201, "at most 200"),
        ("remark", "bell\x07", "printable"),
    ],
)
def test_what_cannot_stand_is_refused_in_one_line(kind: str, typed: str, allowed: str) -> None:
    with pytest.raises(MarkValueError) as caught:
        check_value(kind, typed)
    assert allowed in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_kind_tells_the_likely_one() -> None:
    with pytest.raises(MarkValueError, match="did you mean 'milepost'"):
        find_kind("milpost")


def test_a_car_sheet_may_give_keys() -> None:
    keys = keys_for({"K": "milepost", "M": "station", "F5": "regulator"})
    assert keys["K"] == "milepost"
    assert keys["M"] == "station"
    assert keys["F5"] == "throttle"
    assert keys["S"] == "station"
    (problem,) = check_keys({"K": "milpost"})
    assert problem.startswith("K: unknown kind of mark 'milpost'")


@given(st.sampled_from(sorted(KINDS)), st.text(max_size=250))
def test_any_text_is_kept_or_refused_and_what_is_kept_stays(kind: str, text: str) -> None:
    with contextlib.suppress(MarkValueError):
        kept = check_value(kind, text)
        assert check_value(kind, kept) == kept
