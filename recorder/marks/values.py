"""The value of a mark: one grammar for what is keyed, what stands in files and what is analysed.

:func:`parse` is for what comes in (a key, an imported table): it refuses. :func:`read_kept` is
for what is kept already: what does not read stays as text, with the reason. ``value.text`` is the
way back, for every value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import ClassVar, Final, Self

from recorder.marks.grammar import (
    SIGNED,
    MarkValue,
    MarkValueError,
    clean,
    number,
    plain,
)
from recorder.marks.handling import BrakeMark, CutOffMark, SandMark, ThrottleMark
from recorder.marks.kinds import Kind
from recorder.marks.stores import FuelMark, SteamMark, WaterMark
from recorder.marks.weather import WeatherMark

__all__ = [
    "BridgeMark",
    "CurveMark",
    "GradeMark",
    "MilepostMark",
    "RemarkMark",
    "SectionMark",
    "SignalMark",
    "SlipMark",
    "StartMark",
    "StationMark",
    "StopMark",
    "UnreadMark",
    "WordsMark",
    "parse",
    "read_kept",
]

STEEPEST_PER_CENT: Final = 15.0
"""Steeper lines work by rack, where no drawbar is tested (from experience)."""
_NUMBER: Final = re.compile(rf"{SIGNED}\Z")


@dataclass(frozen=True, slots=True)
class MilepostMark(MarkValue):
    """A milepost."""

    kind: ClassVar[Kind] = Kind.MILEPOST
    number: float | None = None

    @property
    def text(self) -> str:
        """``12``, ``12.25``."""
        return "" if self.number is None else plain(self.number)

    @classmethod
    def read(cls, text: str) -> Self:
        """A number."""
        if not _NUMBER.match(text):
            msg = "a milepost number, for example 12 or 12.25"
            raise MarkValueError(msg)
        return cls(number=number(text) + 0.0)


@dataclass(frozen=True, slots=True)
class GradeMark(MarkValue):
    """The grade from here on, as the train goes."""

    kind: ClassVar[Kind] = Kind.GRADE
    per_cent: float | None = None
    """+ up."""

    @property
    def text(self) -> str:
        """``0.8``, ``-1.25``."""
        return "" if self.per_cent is None else plain(self.per_cent)

    @classmethod
    def read(cls, text: str) -> Self:
        """Per cent, with or without its sign; ``level`` is 0."""
        bare = text.removesuffix("%").strip()
        if text.lower() == "level":
            return cls(per_cent=0.0)
        if not _NUMBER.match(bare) or abs(number(bare)) > STEEPEST_PER_CENT:
            msg = (
                f"per cent, + up and - down, at most {STEEPEST_PER_CENT:g}, or level,"
                " for example 0.8 or -1.25"
            )
            raise MarkValueError(msg)
        return cls(per_cent=number(bare) + 0.0)


@dataclass(frozen=True, slots=True)
class WordsMark(MarkValue):
    """A name or any words."""

    words: str = ""

    @property
    def text(self) -> str:
        """The words."""
        return self.words

    @classmethod
    def read(cls, text: str) -> Self:
        """Any words."""
        return cls(words=text)


class StationMark(WordsMark):
    """A station's name."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.STATION


class SignalMark(WordsMark):
    """A signal's number and aspect."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.SIGNAL


class CurveMark(WordsMark):
    """Begin or end of a curve, its hand, degree or radius."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.CURVE


class SlipMark(WordsMark):
    """Wheel slip."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.SLIP


class BridgeMark(WordsMark):
    """A bridge or tunnel."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.BRIDGE


class StopMark(WordsMark):
    """The train stopped, and why."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.STOP


class StartMark(WordsMark):
    """The train started."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.START


class SectionMark(WordsMark):
    """The name of what begins here."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.SECTION


class RemarkMark(WordsMark):
    """A remark."""

    __slots__ = ()
    kind: ClassVar[Kind] = Kind.REMARK


@dataclass(frozen=True, slots=True)
class UnreadMark:
    """Text of a file that its kind's grammar does not allow, or of a kind not known here."""

    text: str
    why: str
    """One line: what was got and what is allowed."""


_CLASSES: Final[Mapping[Kind, type[MarkValue]]] = MappingProxyType(
    {
        found.kind: found
        for found in (
            MilepostMark, StationMark, SignalMark, CurveMark, GradeMark, ThrottleMark,
            CutOffMark, BrakeMark, SandMark, SlipMark, FuelMark, WaterMark, SteamMark,
            WeatherMark, BridgeMark, StopMark, StartMark, SectionMark, RemarkMark,
        )
    }
)  # fmt: skip


@lru_cache(maxsize=4096)
def parse(kind: Kind, text: str) -> MarkValue:
    """The value of what was typed; an empty text is a mark keyed bare.

    Raises
    ------
    MarkValueError
        Too long, not printable, or not what this kind allows; one line.
    """
    found = _CLASSES[kind]
    try:
        words = clean(text)
        value = found.read(words) if words else found()
        clean(value.text)
    except MarkValueError as error:
        got = " ".join(text.split())[:40]
        msg = f"{kind}: got {got!r}; allowed: {error}"
        raise MarkValueError(msg) from error
    return value


def read_kept(kind: Kind | str, text: str) -> MarkValue | UnreadMark:
    """The value of what is kept. Never raises: a file may be older or newer than this grammar."""
    if not isinstance(kind, Kind):
        return UnreadMark(text, f"{kind[:40]!r} is no kind of mark of this version")
    try:
        return parse(kind, text)
    except MarkValueError as error:
        return UnreadMark(text, str(error))
