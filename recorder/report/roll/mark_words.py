"""A mark in words, its quantities in the edition of the roll."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from calibration.quantities.editions import Edition
from calibration.quantities.units import convert
from calibration.quantities.written import typeset

if TYPE_CHECKING:
    from recorder.marks.mark import Mark
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["mark_words"]

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
    return re.compile(rf"(?<![\w.,])([+−-]?\d+(?:\.\d+)?)\s?({names})(?![\w/])")


_PATTERNS: Final = {edition: _pattern(table) for edition, table in _TABLES.items()}


def mark_words(mark: Mark, units: ShownUnits) -> str:
    """Kind, value and note; what was keyed in units of the other edition is said in this one's,
    to as many digits."""
    told = f"{mark.kind_label} {mark.value}".strip()
    if mark.note:
        told += f"; {mark.note}"
    table = _TABLES[units.edition]
    return _PATTERNS[units.edition].sub(lambda found: _other(found, table), told)


def _other(found: re.Match[str], table: dict[str, tuple[str, str, str]]) -> str:
    keyed, written, label = table[found[2]]
    number = found[1].replace("−", "-")
    digits = max(2, len(re.sub(r"\D", "", number).lstrip("0")))
    value = float(convert(float(number), keyed, written))
    short = f"{value:.{digits}g}"
    return f"{typeset(f'{value:.0f}' if 'e' in short else short)} {label}"
