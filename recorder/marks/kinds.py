"""The kinds of crew marks, their usual keys, and what may be typed as their value.

A key press never fails for want of a value: every kind can be keyed bare and filled in later.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

__all__ = [
    "DEFAULT_KEYS",
    "KINDS",
    "MarkKind",
    "MarkValueError",
    "check_keys",
    "check_value",
    "find_kind",
    "keys_for",
]

MAX_VALUE: Final = 200
MAX_NOTE: Final = 4000


class MarkValueError(ValueError):
    """What was typed cannot stand as the value of this kind of mark; one line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkKind:
    """One kind of mark."""

    name: str
    title: str
    """As shown to the crew."""
    key: str
    """The usual key; a car sheet may give others."""
    hint: str
    """What may be typed, with an example."""
    check: Callable[[str], str]
    """Typed words → value as kept; raises ``ValueError`` with what is allowed."""


_NUMBER: Final = re.compile(r"[+-]?(\d{1,7}([.,]\d{1,6})?|[.,]\d{1,6})\Z")
_AMOUNT: Final = re.compile(
    r"(?:(used|level|added)\s+)?(\d{1,9}(?:[.,]\d{1,6})?)\s*"
    r"(kg|t|lb|short_t|long_t|l|m3|gal|us_gal|imp_gal)"
    r"(?:\s*(?:±|\+/-)\s*(\d{1,9}(?:[.,]\d{1,6})?))?\Z",
    re.IGNORECASE,
)
_UNITS: Final = {"l": "L"}
_BRAKE_WORDS: Final = ("on", "off", "apply", "release", "hold", "emergency")


def _free(text: str) -> str:
    return text


def _milepost(text: str) -> str:
    if not _NUMBER.match(text):
        msg = "a milepost number, for example 12 or 12.25"
        raise ValueError(msg)
    return _plain(float(text.replace(",", ".")))


def _grade(text: str) -> str:
    bare = text.removesuffix("%").strip()
    msg = "per cent, + up and - down, at most 15, for example 0.8 or -1.25"
    if not _NUMBER.match(bare):
        raise ValueError(msg)
    value = float(bare.replace(",", "."))
    if abs(value) > 15.0:
        raise ValueError(msg)
    return _plain(value)


def _amount(text: str) -> str:
    found = _AMOUNT.match(text)
    if found is None:
        msg = (
            "used, level or added, an amount and its unit (kg, t, lb, short_t, long_t, L, m3,"
            " gal, us_gal, imp_gal), for example 'used 250 kg' or 'level 3200 L ± 40'"
        )
        raise ValueError(msg)
    word, amount, unit, u = found.groups()
    unit = _UNITS.get(unit.lower(), unit.lower())
    text = f"{(word or 'used').lower()} {amount.replace(',', '.')} {unit}"
    return text if u is None else f"{text} ± {u.replace(',', '.')}"


def _throttle(text: str) -> str:
    """A notch, a share of full, or words; a bare number is a notch."""
    bare = text.removesuffix("%").strip()
    if text.endswith("%"):
        if not _NUMBER.match(bare) or not 0.0 <= float(bare.replace(",", ".")) <= 100.0:
            msg = "a notch, per cent from 0 to 100, or words, for example 5 or 80 %"
            raise ValueError(msg)
        return f"{_plain(float(bare.replace(',', '.')))} %"
    return text


def _brake(text: str) -> str:
    word = text.lower()
    if word in _BRAKE_WORDS:
        return word
    found = re.match(r"(\d{1,4}(?:[.,]\d+)?)\s*(kpa|psi|bar)?\Z", word)
    if found is None:
        msg = f"one of {', '.join(_BRAKE_WORDS)}, or a reduction, for example 70 kPa"
        raise ValueError(msg)
    unit = {"kpa": "kPa"}.get(found[2] or "kpa", found[2])
    return f"{_plain(float(found[1].replace(',', '.')))} {unit}"


def _plain(value: float) -> str:
    """A number without needless digits or exponent: 12, 12.25, -0.8."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _kind(
    name: str, title: str, key: str, hint: str, check: Callable[[str], str] = _free
) -> tuple[str, MarkKind]:
    return name, MarkKind(name=name, title=title, key=key, hint=hint, check=check)


KINDS: Final[Mapping[str, MarkKind]] = MappingProxyType(
    dict(
        (
            _kind("milepost", "Milepost", "M", "number, for example 12.25", _milepost),
            _kind("station", "Station", "S", "name"),
            _kind("signal", "Signal", "G", "number and aspect, for example 114 clear"),
            _kind("curve", "Curve", "C", "begin or end, left or right, degree or radius"),
            _kind("grade", "Grade", "V", "per cent, + up, for example 0.8", _grade),
            _kind(
                "throttle", "Throttle or regulator", "T", "notch, per cent or words", _throttle
            ),
            _kind("cutoff", "Cut-off or reverser", "X", "per cent or words", _throttle),
            _kind("brake", "Brake", "B", "on, off, apply, release, or 70 kPa", _brake),
            _kind("sand", "Sand", "D", "on or off"),
            _kind("slip", "Wheel slip", "P", "words"),
            _kind("fuel", "Fuel", "F", "used 250 kg, level 3200 L, added 500 kg", _amount),
            _kind("water", "Water", "W", "used 900 L, level 12 m3, added 4 m3", _amount),
            _kind("steam", "Boiler pressure", "H", "pressure with its unit, 1380 kPa"),
            _kind("weather", "Weather", "E", "dry, rain; wind 5 m/s from 270; 12 C"),
            _kind("bridge", "Bridge or tunnel", "U", "name, begin or end"),
            _kind("stop", "Train stopped", "Z", "why"),
            _kind("start", "Train started", "A", "words"),
            _kind("section", "Section", "N", "name of what begins here"),
            _kind("remark", "Remark", "R", "words"),
        )
    )
)
"""Every kind by name."""

DEFAULT_KEYS: Final[Mapping[str, str]] = MappingProxyType(
    {k.key: k.name for k in KINDS.values()}
)
"""Key → kind, as long as the car sheet says nothing else."""

_ALIASES: Final = {"regulator": "throttle", "note": "remark", "milestone": "milepost"}


def find_kind(name: str) -> MarkKind:
    """The kind of a name.

    Raises
    ------
    MarkValueError
        No such kind; the text names the allowed ones and the likely spelling.
    """
    kind = KINDS.get(_ALIASES.get(name, name))
    if kind is None:
        near = difflib.get_close_matches(name, [*KINDS, *_ALIASES], n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        msg = f"unknown kind of mark {name!r}{hint} allowed: {', '.join(KINDS)}"
        raise MarkValueError(msg)
    return kind


def check_value(kind: str, text: str) -> str:
    """The value as it is kept: trimmed, numbers in one form; empty stays empty.

    Raises
    ------
    MarkValueError
        Unknown kind, too long, control characters, or not what this kind allows.
    """
    found = find_kind(kind)
    value = " ".join(text.split())
    if len(value) > MAX_VALUE:
        msg = f"{found.name}: at most {MAX_VALUE} characters, got {len(value)}; use the note"
        raise MarkValueError(msg)
    if not value.isprintable():
        msg = f"{found.name}: the value must be printable, got {value[:40]!r}"
        raise MarkValueError(msg)
    if not value:
        return ""
    try:
        return found.check(value)
    except ValueError as error:
        msg = f"{found.name}: got {value[:40]!r}; allowed: {error}"
        raise MarkValueError(msg) from error


def check_keys(keys: Mapping[str, str]) -> list[str]:
    """What is wrong with a car sheet's keys, one line each; empty when nothing is."""
    problems = []
    for key, kind in keys.items():
        try:
            find_kind(kind)
        except MarkValueError as error:
            problems.append(f"{key}: {error}")
    return problems


def keys_for(keys: Mapping[str, str]) -> dict[str, str]:
    """Key → kind of this car: its own over the usual ones.

    A usual key goes to the kind the sheet gives it; a kind with a key of its own keeps its
    usual one too, unless the sheet gives that to another.
    """
    return {**DEFAULT_KEYS, **{key: find_kind(kind).name for key, kind in keys.items()}}
