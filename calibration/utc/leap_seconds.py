"""Leap seconds: TAI and UTC.

UTC here is numbered as POSIX does, 86 400 s a day: the second 23:59:60 shares its number with
the next 00:00:00.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.utc.leap_table import leap_table
from calibration.utc.spans import NS

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "TABLE",
    "TABLE_EXPIRES",
    "TABLE_SOURCE",
    "is_table_leap",
    "table_covers",
    "tai_minus_utc_ns",
    "utc_of_tai_ns",
]

TABLE: Final = leap_table().rows
"""(UTC day from which it holds, TAI − UTC in s): the IERS list as kept in the tz database."""
TABLE_EXPIRES: Final = leap_table().expires
"""From this UTC day on the list does not show whether a second was inserted."""
TABLE_SOURCE: Final = leap_table().source
"""Whose copy is gone by."""


def _midnight_ns(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * NS


_STARTS_NS: Final = np.array([_midnight_ns(day) for day, _ in TABLE], np.int64)
_EXPIRES_NS: Final = _midnight_ns(TABLE_EXPIRES)
_OFFSETS: Final = np.array([seconds for _, seconds in TABLE], np.int64)


def tai_minus_utc_ns(utc_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """TAI − UTC in whole seconds at (n,) POSIX times in ns; 10 s before 1972 as well."""
    row = np.searchsorted(_STARTS_NS, utc_ns, side="right") - 1
    return np.asarray(_OFFSETS[np.maximum(row, 0)])


def utc_of_tai_ns(tai_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """POSIX times in ns of (n,) TAI in ns since 1970; 23:59:60 is numbered as 00:00:00."""
    row = np.searchsorted(_STARTS_NS + _OFFSETS * NS, tai_ns, side="right") - 1
    return np.asarray(tai_ns - _OFFSETS[np.maximum(row, 0)] * NS)


def table_covers(utc_ns: int) -> bool:
    """Whether the table knows every leap second up to a POSIX time in ns."""
    return utc_ns < _EXPIRES_NS


def is_table_leap(utc_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether (n,) POSIX times in ns have a number that a second 23:59:60 also had."""
    # The first row began the count: nothing was inserted there.
    return np.isin(np.asarray(utc_ns) // NS * NS, _STARTS_NS[1:])
