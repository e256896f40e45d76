"""Leap seconds and GPS time.

UTC here is numbered as POSIX does, 86 400 s a day: the second 23:59:60 shares its number with
the next 00:00:00. GPS time began with UTC on 1980-01-06 and counts no leap seconds; its week
number is sent in ten bits and begins again every 1024 weeks, at midnight from Saturday to
Sunday.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "GPS_EPOCH_UNIX",
    "TABLE",
    "TABLE_EXPIRES",
    "gps_minus_utc",
    "gps_week",
    "is_table_leap",
    "nearest_era",
    "tai_minus_utc",
    "tai_minus_utc_ns",
    "unix_of_gps",
    "utc_of_tai_ns",
]

TABLE: Final[tuple[tuple[date, int], ...]] = tuple(
    (date.fromisoformat(day), seconds)
    for day, seconds in (
        ("1972-01-01", 10),
        ("1972-07-01", 11),
        ("1973-01-01", 12),
        ("1974-01-01", 13),
        ("1975-01-01", 14),
        ("1976-01-01", 15),
        ("1977-01-01", 16),
        ("1978-01-01", 17),
        ("1979-01-01", 18),
        ("1980-01-01", 19),
        ("1981-07-01", 20),
        ("1982-07-01", 21),
        ("1983-07-01", 22),
        ("1985-07-01", 23),
        ("1988-01-01", 24),
        ("1990-01-01", 25),
        ("1991-01-01", 26),
        ("1992-07-01", 27),
        ("1993-07-01", 28),
        ("1994-07-01", 29),
        ("1996-01-01", 30),
        ("1997-07-01", 31),
        ("1999-01-01", 32),
        ("2006-01-01", 33),
        ("2009-01-01", 34),
        ("2012-07-01", 35),
        ("2015-07-01", 36),
        ("2017-01-01", 37),
    )
)
"""(UTC day from which it holds, TAI − UTC in s): the IERS list as kept in the tz database."""
TABLE_EXPIRES: Final = date(2027, 6, 28)
GPS_EPOCH_UNIX: Final = 315_964_800
"""1980-01-06 00:00:00 UTC."""
TAI_MINUS_GPS_S: Final = 19
WEEK_S: Final = 604_800
ERA_WEEKS: Final = 1024

_NS: Final = 1_000_000_000
_STARTS_NS: Final = np.array(
    [int(datetime(d.year, d.month, d.day, tzinfo=UTC).timestamp()) * _NS for d, _ in TABLE],
    np.int64,
)
_OFFSETS: Final = np.array([seconds for _, seconds in TABLE], np.int64)


def tai_minus_utc_ns(utc_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """TAI − UTC in whole seconds at (n,) POSIX times in ns; 10 s before 1972 as well."""
    row = np.searchsorted(_STARTS_NS, utc_ns, side="right") - 1
    return np.asarray(_OFFSETS[np.maximum(row, 0)])


def utc_of_tai_ns(tai_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """POSIX times in ns of (n,) TAI in ns since 1970; 23:59:60 is numbered as 00:00:00."""
    row = np.searchsorted(_STARTS_NS + _OFFSETS * _NS, tai_ns, side="right") - 1
    return np.asarray(tai_ns - _OFFSETS[np.maximum(row, 0)] * _NS)


def is_table_leap(utc_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether (n,) POSIX times in ns have a number that a second 23:59:60 also had."""
    # The first row began the count: nothing was inserted there.
    return np.isin(np.asarray(utc_ns) // _NS * _NS, _STARTS_NS[1:])


def tai_minus_utc(unix_s: float) -> int:
    """TAI − UTC in seconds at a POSIX time.

    Raises
    ------
    ValueError
        Before 1972, when UTC had no whole leap seconds.
    """
    day = datetime.fromtimestamp(unix_s, tz=UTC).date()
    held = [seconds for since, seconds in TABLE if since <= day]
    if not held:
        msg = f"leap seconds are counted from {TABLE[0][0]}, got {day}"
        raise ValueError(msg)
    return held[-1]


def gps_minus_utc(unix_s: float) -> int:
    """GPS − UTC in seconds at a POSIX time (18 since 2017-01-01)."""
    return tai_minus_utc(unix_s) - TAI_MINUS_GPS_S


def gps_week(unix_s: float) -> tuple[int, float]:
    """Full GPS week (not modulo 1024) and seconds of the week of a POSIX time."""
    gps_s = unix_s - GPS_EPOCH_UNIX + gps_minus_utc(unix_s)
    week = int(gps_s // WEEK_S)
    return week, gps_s - week * WEEK_S


def unix_of_gps(week: int, seconds: float) -> float:
    """POSIX time of a full GPS week and seconds of the week."""
    gps_s = week * WEEK_S + seconds
    guess = GPS_EPOCH_UNIX + gps_s
    # The offset in force is found with the GPS time itself first; at most one second moves.
    offset = gps_minus_utc(guess - gps_minus_utc(guess))
    return guess - offset


def nearest_era(told_unix_s: float, clock_unix_s: float, *, floor_unix_s: float = 0.0) -> float:
    """A receiver's date moved by whole eras of 1024 weeks to lie nearest the computer's clock.

    Never before ``floor_unix_s`` (the day the software was built): a receiver whose firmware
    rolled over tells dates 19.6 years early.
    """
    era = ERA_WEEKS * WEEK_S
    moved = told_unix_s + round((clock_unix_s - told_unix_s) / era) * era
    while moved < floor_unix_s:
        moved += era
    return moved
