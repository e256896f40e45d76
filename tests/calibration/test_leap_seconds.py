"""Leap seconds and GPS weeks against published instants."""

from datetime import UTC, datetime

import pytest

from calibration.leap_seconds import (
    TABLE,
    gps_minus_utc,
    gps_week,
    nearest_era,
    tai_minus_utc,
    unix_of_gps,
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
