"""The tz database's leap-second list: read, checked against our own, and never believed blindly.

Rows: IERS Bulletin C as carried in the tz database (file ``leapseconds``).
"""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.utc.leap_table import BUILT_IN, leap_table, parse_leapseconds

NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def listed(more: str = "", expires: str = "#Expires 2031\tDec\t28\t00:00:00\n") -> str:
    """The list as the tz database writes it."""
    lines = []
    for day, _ in BUILT_IN.rows[1:]:
        before = date.fromordinal(day.toordinal() - 1)
        lines.append(
            f"Leap\t{before.year}\t{NAMES[before.month - 1]}\t{before.day}\t23:59:60\t+\tS\n"
        )
    return "# a comment\n" + "".join(lines) + more + expires


def test_the_same_rows_and_a_later_expiry() -> None:
    table = parse_leapseconds(listed(), source="a copy")
    assert table.rows == BUILT_IN.rows
    assert table.expires == date(2031, 12, 28)


def test_a_second_inserted_later_and_one_left_out() -> None:
    more = "Leap\t2029\tJun\t30\t23:59:60\t+\tS\nLeap\t2030\tDec\t31\t23:59:59\t-\tS\n"
    table = parse_leapseconds(listed(more), source="a copy")
    assert table.rows[-2:] == ((date(2029, 7, 1), 38), (date(2031, 1, 1), 37))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (listed(expires=""), "does not say when it expires"),
        (listed().replace("Leap\t2016", "Leap\t2018"), "another past"),
        (listed("Leap\t1999\tJun\t30\t23:59:60\t+\tS\n"), "not later"),
        ("", "does not say"),
    ],
)
def test_what_cannot_be_gone_by_is_refused(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_leapseconds(text, source="a copy")


@given(st.text(max_size=400))
def test_any_text_is_a_table_or_refused(text: str) -> None:
    for whole in (text, listed() + text):
        try:
            table = parse_leapseconds(whole, source="a copy")
        except ValueError:
            continue
        assert table.rows[: len(BUILT_IN.rows)] == BUILT_IN.rows


def test_what_is_gone_by_expires_no_sooner_than_our_own() -> None:
    table = leap_table()
    assert table.expires >= BUILT_IN.expires
    assert table.rows[: len(BUILT_IN.rows)] == BUILT_IN.rows
