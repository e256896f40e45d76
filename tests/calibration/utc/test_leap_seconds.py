"""Leap seconds against the published list."""

from datetime import UTC, datetime

import numpy as np

from calibration.utc.leap_seconds import (
    TABLE,
    is_table_leap,
    tai_minus_utc_ns,
    utc_of_tai_ns,
)


def unix(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def test_table_has_its_published_rows() -> None:
    """tz database leap-seconds.list: 28 rows, 10 s in 1972, 37 s since 2017-01-01."""
    assert len(TABLE) == 28
    assert TABLE[0][1] == 10
    change = np.array([unix("2016-12-31T23:59:59"), unix("2017-01-01T00:00:00")])
    assert tai_minus_utc_ns((change * 1e9).astype(np.int64)).tolist() == [36, 37]


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
