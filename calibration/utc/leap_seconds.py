"""Leap seconds: TAI and UTC.

UTC here is numbered as POSIX does, 86 400 s a day: the second 23:59:60 shares its number with
the next 00:00:00.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "TABLE",
    "TABLE_EXPIRES",
    "is_table_leap",
    "table_covers",
    "tai_minus_utc_ns",
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
"""From this UTC day on the list does not show whether a second was inserted."""
_NS: Final = 1_000_000_000


def _midnight_ns(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * _NS


_STARTS_NS: Final = np.array([_midnight_ns(day) for day, _ in TABLE], np.int64)
_EXPIRES_NS: Final = _midnight_ns(TABLE_EXPIRES)
_OFFSETS: Final = np.array([seconds for _, seconds in TABLE], np.int64)


def tai_minus_utc_ns(utc_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """TAI − UTC in whole seconds at (n,) POSIX times in ns; 10 s before 1972 as well."""
    row = np.searchsorted(_STARTS_NS, utc_ns, side="right") - 1
    return np.asarray(_OFFSETS[np.maximum(row, 0)])


def utc_of_tai_ns(tai_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """POSIX times in ns of (n,) TAI in ns since 1970; 23:59:60 is numbered as 00:00:00."""
    row = np.searchsorted(_STARTS_NS + _OFFSETS * _NS, tai_ns, side="right") - 1
    return np.asarray(tai_ns - _OFFSETS[np.maximum(row, 0)] * _NS)


def table_covers(utc_ns: int) -> bool:
    """Whether the table knows every leap second up to a POSIX time in ns."""
    return utc_ns < _EXPIRES_NS


def is_table_leap(utc_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether (n,) POSIX times in ns have a number that a second 23:59:60 also had."""
    # The first row began the count: nothing was inserted there.
    return np.isin(np.asarray(utc_ns) // _NS * _NS, _STARTS_NS[1:])
