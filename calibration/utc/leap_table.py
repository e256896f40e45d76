"""The leap-second table of the tz database: read where a copy lies, checked, else our own.

The tz database carries the IERS list as ``leapseconds`` (text, one ``Leap`` line a second that was
inserted or left out, and when the list expires). Of the copies on the machine and our own the one
that expires last is gone by, if it tells of the past what our own tells.
"""

from __future__ import annotations

import importlib.resources
import re
import zoneinfo
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Final

__all__ = ["BUILT_IN", "LeapTable", "leap_table", "parse_leapseconds"]

_FIRST_OFFSET_S: Final = 10
"""TAI − UTC from 1972-01-01, when whole seconds began."""
_FIRST_DAY: Final = date(1972, 1, 1)
_MONTHS: Final = (
    "Jan",
    "Feb",
    "Mar",
    "Apr",
    "May",
    "Jun",
    "Jul",
    "Aug",
    "Sep",
    "Oct",
    "Nov",
    "Dec",
)
_LEAP: Final = re.compile(
    r"Leap\s+(\d{4})\s+([A-Z][a-z]{2})\s+(\d{1,2})\s+23:59:(?:60|59)\s+([+-])\s+S\b"
)
_EXPIRES: Final = re.compile(r"#?Expires\s+(\d{4})\s+([A-Z][a-z]{2})\s+(\d{1,2})\b")
_MOST_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class LeapTable:
    """TAI − UTC by UTC day."""

    rows: tuple[tuple[date, int], ...]
    """(UTC day from which it holds, TAI − UTC in s), days rising."""
    expires: date
    """From this UTC day on the list does not show whether a second was inserted."""
    source: str


BUILT_IN: Final = LeapTable(
    rows=tuple(
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
    ),
    expires=date(2027, 6, 28),
    source="this version",
)


def parse_leapseconds(text: str, *, source: str) -> LeapTable:
    """The table of a ``leapseconds`` file.

    Raises
    ------
    ValueError
        It gives no expiry, no rows, days that do not rise, or another past than ours.
    """
    rows = [(_FIRST_DAY, _FIRST_OFFSET_S)]
    expires = None
    for line in text.splitlines():
        if leap := _LEAP.match(line):
            year, month, day, sign = leap.groups()
            after = _day(year, month, day) + timedelta(days=1)
            if after <= rows[-1][0]:
                msg = f"{source}: {line.strip()!r} is not later than the line before it"
                raise ValueError(msg)
            rows.append((after, rows[-1][1] + (1 if sign == "+" else -1)))
        elif (ends := _EXPIRES.match(line)) and expires is None:
            expires = _day(*ends.groups())
    if expires is None:
        msg = f"{source}: does not say when it expires"
        raise ValueError(msg)
    ours = tuple(row for row in BUILT_IN.rows if row[0] < expires)
    if tuple(rows[: len(ours)]) != ours:
        msg = f"{source}: tells another past than the list of this version"
        raise ValueError(msg)
    return LeapTable(rows=tuple(rows), expires=expires, source=source)


def _day(year: str, month: str, day: str) -> date:
    if month not in _MONTHS:
        msg = f"{month!r} is no month"
        raise ValueError(msg)
    return date(int(year), _MONTHS.index(month) + 1, int(day))


@cache
def leap_table() -> LeapTable:
    """The table gone by: read once a process."""
    best = BUILT_IN
    for source, text in _copies():
        try:
            found = parse_leapseconds(text, source=source)
        except ValueError:
            # Not one to go by: ours is there, and says when it expires.
            continue
        if found.expires > best.expires:
            best = found
    return best


def _copies() -> list[tuple[str, str]]:
    """Copies of ``leapseconds`` on this machine: (where, text)."""
    found = []
    for folder in zoneinfo.TZPATH:
        try:
            with (Path(folder) / "leapseconds").open(
                encoding="ascii", errors="replace"
            ) as file:
                found.append(("the system's tz database", file.read(_MOST_BYTES)))
        except OSError:
            continue
    try:
        place = importlib.resources.files("tzdata") / "zoneinfo" / "leapseconds"
        found.append(
            ("the package tzdata", place.read_bytes()[:_MOST_BYTES].decode("ascii", "replace"))
        )
    except (ModuleNotFoundError, OSError):
        return found
    return found
