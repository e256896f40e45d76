"""Leap seconds and GPS weeks against published instants."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.clock.leap_seconds import (
    TABLE,
    gps_minus_utc,
    gps_week,
    is_table_leap,
    nearest_era,
    tai_minus_utc,
    tai_minus_utc_ns,
    unix_of_gps,
    utc_of_tai_ns,
)


def unix(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def test_table_has_its_published_rows() -> None:
    """tz database leap-seconds.list: 28 rows, 10 s in 1972, 37 s since 2017-01-01."""
    assert len(TABLE) == 28
    assert TABLE[0][1] == 10
    assert tai_minus_utc(unix("2016-12-31T23:59:59")) == 36
    assert tai_minus_utc(unix("2017-01-01T00:00:00")) == 37
    assert gps_minus_utc(unix("2026-11-25T00:00:00")) == 18


@pytest.mark.parametrize(
    ("week", "instant"),
    [
        (0, "1980-01-06T00:00:00"),
        (1024, "1999-08-21T23:59:47"),  # US Naval Observatory's page
        (2048, "2019-04-06T23:59:42"),  # computed: weeks begin on Sunday, offset 18 s
        (3072, "2038-11-20T23:59:42"),  # computed, if the offset stays 18 s
    ],
)
def test_week_rollovers(week: int, instant: str) -> None:
    assert unix_of_gps(week, 0.0) == unix(instant)
    assert gps_week(unix(instant)) == (week, 0.0)


def test_an_instant_of_today() -> None:
    """2026-11-25T01:49:14Z is week 2446, second 265 772 (computed)."""
    assert gps_week(unix("2026-11-25T01:49:14")) == (2446, 265_772.0)


def test_a_rolled_over_receiver_is_brought_back() -> None:
    true = unix("2026-11-25T12:00:00")
    told = true - 1024 * 604_800
    assert nearest_era(told, true + 3600.0) == true
    assert nearest_era(told, told + 86_400.0, floor_unix_s=unix("2026-01-01T00:00:00")) == true


def test_before_leap_seconds_is_refused() -> None:
    with pytest.raises(ValueError, match="counted from"):
        tai_minus_utc(0.0)


def test_there_and_back_over_every_leap_second() -> None:
    """TAI and back is the same number, but for 23:59:60, which shares that of 00:00:00."""
    starts = np.array([unix(f"{day}T00:00:00") for day, _ in TABLE[1:]], np.int64) * 10**9
    for away_s in (-86_400, -1, 0, 1, 86_400):
        utc = starts + away_s * 10**9
        tai = utc + tai_minus_utc_ns(utc) * 10**9
        assert utc_of_tai_ns(tai).tolist() == utc.tolist()
    sixty = starts + tai_minus_utc_ns(starts - 1) * 10**9
    assert utc_of_tai_ns(sixty).tolist() == starts.tolist()
    assert is_table_leap(starts + 999_999_999).all()
    assert not is_table_leap(starts + 10**9).any()


@given(st.integers(0, 4000), st.integers(0, 604_799))
def test_gps_weeks_there_and_back(week: int, second: int) -> None:
    """Every GPS second has its POSIX number; only a leap second shares one."""
    found = gps_week(unix_of_gps(week, second))
    shift = (found[0] - week) * 604_800 + found[1] - second
    assert shift in {0.0, 1.0}
    if shift:
        assert is_table_leap(np.array([int(unix_of_gps(week, second))]) * 10**9).all()
