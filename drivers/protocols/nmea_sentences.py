"""Fields of RMC, ZDA and GGA into numbers, refusing what cannot be.

Pure: no date is guessed and no clock is asked here.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date
from typing import Final

__all__ = ["KINDS", "RefusedSentenceError", "Sentence", "parse_sentence"]

KINDS: Final = frozenset({"RMC", "ZDA", "GGA"})
KNOT_M_S: Final = 1852.0 / 3600.0
"""International knot, exact."""

_TIME: Final = re.compile(r"(\d\d)(\d\d)(\d\d)(?:\.(\d{0,9})\d*)?")
_NUMBER: Final = re.compile(r"-?\d{1,10}(?:\.\d{0,12})?|-?\.\d{1,12}")
_NS: Final = 1_000_000_000
_FIRST_DAY: Final = date(1980, 1, 6)
"""Week 0 of the Global Positioning System began then (its definition)."""
_LAST_DAY: Final = date(2200, 12, 31)
"""Nanoseconds since 1970 fit into 64 bits until 2262."""
_FIX_QUALITIES: Final = frozenset({"1", "2", "3", "4", "5", "9"})
"""GGA: 0 none, 6 dead reckoning, 7 entered by hand and 8 simulator are no fix."""
_NO_FIX_MODES: Final = frozenset("NEMS")
"""RMC mode: not valid, estimated, manual, simulator."""


class RefusedSentenceError(Exception):
    """A field with a good checksum that cannot be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """What one sentence holds; NaN, -1 and None where it does not."""

    kind: str
    fix: bool
    second_ns: int | None = None
    """Nanoseconds since midnight UTC, up to and including a second 60."""
    day: date | None = None
    latitude_deg: float = math.nan
    longitude_deg: float = math.nan
    altitude_m: float = math.nan
    speed_m_s: float = math.nan
    course_deg: float = math.nan
    hdop: float = math.nan
    satellites: int = -1


def parse_sentence(kind: str, fields: list[str]) -> Sentence:
    """Read the fields of one sentence whose checksum agreed.

    Parameters
    ----------
    kind : str
        ``RMC``, ``ZDA`` or ``GGA``.
    fields : list of str
        Everything between ``$`` and ``*``, split at commas; the first is the address.

    Returns
    -------
    Sentence
        Without a fix, only what can be read; nothing in it is then to be believed.

    Raises
    ------
    RefusedSentenceError
        It claims a fix and a field cannot be.
    """
    readers = {"RMC": _rmc, "ZDA": _zda, "GGA": _gga}
    return readers[kind](_Fields(kind, fields))


class _Fields:
    """Fields by number; one that is missing is empty."""

    def __init__(self, kind: str, fields: list[str]) -> None:
        self.kind = kind
        self._fields = fields

    def __len__(self) -> int:
        return len(self._fields)

    def text(self, index: int) -> str:
        return self._fields[index] if index < len(self._fields) else ""

    def number(self, index: int, name: str, low: float, high: float) -> float:
        """NaN when empty."""
        text = self.text(index)
        if not text:
            return math.nan
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if not low <= value <= high:
            msg = f"{name} {text!r} is not within {low:g} to {high:g}"
            raise RefusedSentenceError(msg)
        return value

    def angle(self, index: int, name: str, degrees: int, ends: str) -> float:
        """``ddmm.mm`` with its hemisphere in the next field; NaN when both are empty."""
        text, end = self.text(index), self.text(index + 1)
        if not text and not end:
            return math.nan
        match = re.fullmatch(rf"(\d{{{degrees}}})(\d\d(?:\.\d{{0,12}})?)", text)
        if match is None or end not in tuple(ends):
            msg = f"{name} {text!r} {end!r} cannot be read"
            raise RefusedSentenceError(msg)
        minutes = float(match[2])
        value = int(match[1]) + minutes / 60.0
        if minutes >= 60.0 or value > (90.0 if degrees == 2 else 180.0):
            msg = f"{name} {text!r} cannot be"
            raise RefusedSentenceError(msg)
        return value if end == ends[0] else -value

    def second_ns(self, index: int) -> int:
        """``hhmmss`` with any decimals."""
        text = self.text(index)
        match = _TIME.fullmatch(text)
        if match is None:
            msg = f"time {text!r} cannot be read"
            raise RefusedSentenceError(msg)
        hour, minute, second = int(match[1]), int(match[2]), int(match[3])
        leap = (hour, minute, second) == (23, 59, 60)
        if hour > 23 or minute > 59 or (second > 59 and not leap):
            msg = f"time {text!r} cannot be"
            raise RefusedSentenceError(msg)
        decimals = (match[4] or "").ljust(9, "0")
        return ((hour * 60 + minute) * 60 + second) * _NS + int(decimals)

    def day(self, texts: tuple[str, str, str]) -> date:
        """Day, month, year as digits."""
        text = "-".join(texts)
        if not all(text.isascii() and text.isdigit() for text in texts):
            msg = f"date {text!r} cannot be read"
            raise RefusedSentenceError(msg)
        number, month, year = (int(text) for text in texts)
        if len(texts[2]) == 2:
            year += 1900 if year >= 80 else 2000
        try:
            day = date(year, month, number)
        except (ValueError, OverflowError) as error:
            msg = f"date {text!r} cannot be"
            raise RefusedSentenceError(msg) from error
        if not _FIRST_DAY <= day <= _LAST_DAY:
            msg = f"date {text!r} cannot be"
            raise RefusedSentenceError(msg)
        return day


def _rmc(fields: _Fields) -> Sentence:
    mode = fields.text(12)
    if fields.text(2) != "A" or mode in _NO_FIX_MODES - {""}:
        return Sentence(kind="RMC", fix=False)
    day = fields.text(9)
    if len(day) != 6:
        msg = f"date {day!r} cannot be read"
        raise RefusedSentenceError(msg)
    return Sentence(
        kind="RMC",
        fix=True,
        second_ns=fields.second_ns(1),
        day=fields.day((day[:2], day[2:4], day[4:])),
        latitude_deg=fields.angle(3, "latitude", 2, "NS"),
        longitude_deg=fields.angle(5, "longitude", 3, "EW"),
        speed_m_s=fields.number(7, "speed", 0.0, 2000.0) * KNOT_M_S,
        course_deg=fields.number(8, "course", 0.0, 360.0),
    )


def _gga(fields: _Fields) -> Sentence:
    if fields.text(6) not in _FIX_QUALITIES:
        return Sentence(kind="GGA", fix=False)
    satellites = fields.number(7, "satellites", 0, 999)
    if fields.text(9) and fields.text(10) not in ("M", ""):
        msg = f"altitude unit {fields.text(10)!r} is not M"
        raise RefusedSentenceError(msg)
    return Sentence(
        kind="GGA",
        fix=True,
        second_ns=fields.second_ns(1),
        latitude_deg=fields.angle(2, "latitude", 2, "NS"),
        longitude_deg=fields.angle(4, "longitude", 3, "EW"),
        hdop=fields.number(8, "hdop", 0.0, 1000.0),
        altitude_m=fields.number(9, "altitude", -1000.0, 20000.0),
        satellites=-1 if math.isnan(satellites) else int(satellites),
    )


def _zda(fields: _Fields) -> Sentence:
    """ZDA has no word for a fix; whether it may be believed is for others to know."""
    if not fields.text(1) or not fields.text(2):
        return Sentence(kind="ZDA", fix=False)
    year = fields.text(4)
    if len(year) != 4:
        msg = f"year {year!r} cannot be read"
        raise RefusedSentenceError(msg)
    return Sentence(
        kind="ZDA",
        fix=False,
        second_ns=fields.second_ns(1),
        day=fields.day((fields.text(2), fields.text(3), year)),
    )
