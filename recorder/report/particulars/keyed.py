"""Marks in words, what was keyed in units of the other edition said in those of the paper."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from calibration.quantities.editions import Edition
from calibration.quantities.units import convert
from calibration.quantities.written import typeset

if TYPE_CHECKING:
    from recorder.marks.mark import Mark
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["keyed_words", "mark_words"]

_CUSTOMARY: Final = {
    "km/h": ("km_h", "mph", "mph"),
    "m/s": ("m_s", "mph", "mph"),
    "kPa": ("kPa", "psi", "psi"),
    "MPa": ("MPa", "psi", "psi"),
    "bar": ("bar", "psi", "psi"),
    "kN": ("kN", "lbf", "lbf"),
    "kW": ("kW", "hp", "hp"),
    "kg": ("kg", "lb", "lb"),
    "t": ("t", "short_tons", "short tons"),
    "L": ("L", "gal", "gal"),
    "m3": ("m3", "gal", "gal"),
    "km": ("km", "mi", "mi"),
    "m": ("m", "ft", "ft"),
    "°C": ("C", "F", "°F"),
    "C": ("C", "F", "°F"),
}
"""As keyed: the unit's name in the table, that of the other edition, and how that is written."""
_METRIC: Final = {
    "mph": ("mph", "km_h", "km/h"),
    "psi": ("psi", "kPa", "kPa"),
    "lbf": ("lbf", "kN", "kN"),
    "hp": ("hp", "kW", "kW"),
    "lb": ("lb", "kg", "kg"),
    "short_t": ("short_tons", "t", "t"),
    "us_gal": ("gal", "L", "L"),
    "gal": ("gal", "L", "L"),
    "mi": ("mi", "km", "km"),
    "ft": ("ft", "m", "m"),
    "°F": ("F", "C", "°C"),
    "F": ("F", "C", "°C"),
}
_TABLES: Final = {Edition.CUSTOMARY: _CUSTOMARY, Edition.METRIC: _METRIC}


def _pattern(units: dict[str, tuple[str, str, str]]) -> re.Pattern[str]:
    names = "|".join(re.escape(u) for u in sorted(units, key=len, reverse=True))
    number = r"\d+(?:\.\d+)?"
    give = rf"(?:\s?±\s?({number}))?"
    return re.compile(rf"(?<![\w.,])([+−-]?{number})\s?({names})(?![\w/]){give}")


_PATTERNS: Final = {edition: _pattern(table) for edition, table in _TABLES.items()}


def mark_words(mark: Mark, units: ShownUnits) -> str:
    """Kind, value and note."""
    told = f"{mark.kind_label} {mark.value}".strip()
    return keyed_words(f"{told}; {mark.note}" if mark.note else told, units)


def keyed_words(text: str, units: ShownUnits) -> str:
    """A text that was keyed, its quantities in the edition shown, to as many digits."""
    table = _TABLES[units.edition]
    return _PATTERNS[units.edition].sub(lambda found: _other(found, table), text)


def _other(found: re.Match[str], table: dict[str, tuple[str, str, str]]) -> str:
    keyed, written, label = table[found[2]]
    number = found[1].replace("−", "-")
    value = float(convert(float(number), keyed, written))
    told = f"{_short(value, number)} {label}"
    if found[3] is None:
        return told
    # As a difference: degrees of the two thermometers do not begin at the same place.
    beyond = float(convert(float(number) + float(found[3]), keyed, written))
    return f"{told} ± {_short(beyond - value, found[3])}"


def _short(value: float, keyed: str) -> str:
    """To as many digits as were keyed, two at the least."""
    digits = max(2, len(re.sub(r"\D", "", keyed).lstrip("0")))
    short = f"{value:.{digits}g}"
    return typeset(f"{value:.0f}" if "e" in short else short)
