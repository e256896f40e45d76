"""The kinds of crew marks and their usual keys."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

__all__ = [
    "DEFAULT_KEYS",
    "Kind",
    "MarkError",
    "UnknownKindError",
    "check_keys",
    "find_kind",
    "keys_for",
    "kind_or_name",
]


class MarkError(ValueError):
    """What a person gave cannot be a mark; one line."""


class UnknownKindError(MarkError):
    """No such kind of mark."""


class Kind(StrEnum):
    """One kind of mark; the member's text is its name in sheets and files."""

    MILEPOST = "milepost"
    STATION = "station"
    SIGNAL = "signal"
    CURVE = "curve"
    GRADE = "grade"
    THROTTLE = "throttle"
    CUTOFF = "cutoff"
    BRAKE = "brake"
    SAND = "sand"
    SLIP = "slip"
    FUEL = "fuel"
    WATER = "water"
    STEAM = "steam"
    WEATHER = "weather"
    BRIDGE = "bridge"
    STOP = "stop"
    START = "start"
    SECTION = "section"
    REMARK = "remark"

    @property
    def label(self) -> str:
        """As shown to the crew."""
        return _SHOWN[self].label

    @property
    def hint(self) -> str:
        """What may be typed, with an example."""
        return _SHOWN[self].hint

    @property
    def parts_note(self) -> bool:
        """Whether a semicolon parts the value from free words where both are typed in one line;
        not for the weather, whose own words are parted by semicolons."""
        return self is not Kind.WEATHER


@dataclass(frozen=True, slots=True)
class _Shown:
    label: str
    key: str
    """The usual key; a car sheet may give others."""
    hint: str


_SHOWN: Final[Mapping[Kind, _Shown]] = MappingProxyType(
    {
        Kind.MILEPOST: _Shown("Milepost", "M", "number, for example 12.25"),
        Kind.STATION: _Shown("Station", "S", "name"),
        Kind.SIGNAL: _Shown("Signal", "G", "number and aspect, for example 114 clear"),
        Kind.CURVE: _Shown("Curve", "C", "begin or end, left or right, degree or radius"),
        Kind.GRADE: _Shown("Grade", "V", "per cent, + up, for example 0.8"),
        Kind.THROTTLE: _Shown("Throttle", "T", "notch, per cent or words"),
        Kind.CUTOFF: _Shown("Cut-off", "X", "per cent or words"),
        Kind.BRAKE: _Shown("Brake", "B", "on, off, apply, release, or 70 kPa; 0 is a release"),
        Kind.SAND: _Shown("Sand", "D", "on or off"),
        Kind.SLIP: _Shown("Wheel slip", "P", "in your own words"),
        Kind.FUEL: _Shown("Fuel", "F", "used 250 kg, level 3200 L, added 500 kg"),
        Kind.WATER: _Shown("Water", "W", "used 900 L, level 12 m3, added 4 m3"),
        Kind.STEAM: _Shown("Boiler pressure", "H", "pressure with its unit, 1380 kPa"),
        Kind.WEATHER: _Shown("Weather", "E", "dry, rain; wind 5 m/s from 270; 12 C"),
        Kind.BRIDGE: _Shown("Bridge or tunnel", "U", "name, begin or end"),
        Kind.STOP: _Shown("Train stopped", "Z", "why"),
        Kind.START: _Shown("Train started", "A", "in your own words"),
        Kind.SECTION: _Shown("Section", "N", "name of what begins here"),
        Kind.REMARK: _Shown("Remark", "R", "in your own words"),
    }
)

DEFAULT_KEYS: Final[Mapping[str, Kind]] = MappingProxyType(
    {shown.key: kind for kind, shown in _SHOWN.items()}
)
"""Key → kind, unless the car sheet gives others."""

_ALIASES: Final[Mapping[str, Kind]] = {
    "regulator": Kind.THROTTLE,
    "reverser": Kind.CUTOFF,
    "note": Kind.REMARK,
    "milestone": Kind.MILEPOST,
}


def find_kind(name: str) -> Kind:
    """The kind of a name as a person writes it.

    Raises
    ------
    UnknownKindError
        No such kind; the text names the allowed ones and the likely spelling.
    """
    known = kind_or_name(name)
    if isinstance(known, Kind):
        return known
    if name in _ALIASES:
        return _ALIASES[name]
    near = difflib.get_close_matches(name, [*Kind, *_ALIASES], n=1)
    hint = f"; did you mean {near[0].strip()!r}?" if near else ";"
    msg = f"unknown kind of mark {name[:40]!r}{hint} allowed: {', '.join(Kind)}"
    raise UnknownKindError(msg)


def kind_or_name(name: str) -> Kind | str:
    """The kind of a name in a file; the name itself when a newer version wrote it."""
    try:
        return Kind(name)
    except ValueError:
        return name


def check_keys(keys: Mapping[str, str]) -> list[str]:
    """What is wrong with a car sheet's keys, one line each; empty when nothing is."""
    problems = []
    for key, kind in keys.items():
        try:
            find_kind(kind)
        except UnknownKindError as error:
            problems.append(f"{key}: {error}")
    return problems


def keys_for(keys: Mapping[str, str]) -> dict[str, Kind]:
    """Key → kind of this car: its own over the usual ones.

    A usual key goes to the kind the sheet gives it; a kind with a key of its own keeps its
    usual one too, unless the sheet gives that to another.
    """
    return {**DEFAULT_KEYS, **{key: find_kind(kind) for key, kind in keys.items()}}
