"""Numbers and units as a person reads them: on the screen and on paper alike."""

from __future__ import annotations

import math
from typing import Final

from calibration.quantities.units import find_unit

__all__ = ["NO_VALUE", "lasting", "many", "short_time", "symbol", "typeset", "written"]

THIN_SPACE: Final = "\u2009"
"""Between groups of three digits (SI Brochure, 9th edition, 5.4.4)."""
MINUS: Final = "\u2212"
NO_VALUE: Final = "– – –"
"""Shown where there is no number: never an old one, never a zero."""

_SYMBOLS: Final = {
    "m_s": "m/s",
    "km_h": "km/h",
    "m_s2": "m/s²",
    "mph_s": "mph/s",
    "hp_h": "hp·h",
    "short_tons": "short tons",
    "C": "°C",
    "pct": "%",
    "permille": "‰",
    "per_m": "1/m",
    "per_km": "1/km",
    "N_per_t": "N/t",
    # The trade's own way of writing it: pounds (of force) a short ton.
    "lb_per_short_ton": "lb/ton",
}


def symbol(unit: str) -> str:
    """How a unit of the table is written; raises ``UnitError`` for an unknown one."""
    return _SYMBOLS.get(find_unit(unit).name, find_unit(unit).name)


def written(value: float | None, decimals: int, *, sign: bool = False) -> str:
    """A number with thin spaces by thousands and a true minus; no minus before a zero.

    ``sign`` writes the plus as well; ``NO_VALUE`` for None and for what is not finite.
    """
    if value is None or not math.isfinite(value):
        return NO_VALUE
    rounded = round(value, decimals)
    text = typeset(f"{abs(rounded):.{decimals}f}")
    return text if rounded == 0.0 else (MINUS if rounded < 0 else "+" if sign else "") + text


def many(n: int, what: str) -> str:
    """``1 gap``, ``2,000 gaps``: of a thing whose plural has an s."""
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def short_time(u_s: float | None) -> str:
    """An uncertainty of a time in two digits, in the unit that suits it; ``not known`` without
    one, or when it is not finite."""
    if u_s is None or not math.isfinite(u_s):
        return "not known"
    unit, shown = "s", u_s
    for smaller, least_s in (("ms", 1e-2), ("µs", 1e-4)):
        if u_s < least_s:
            unit, shown = smaller, shown * 1e3
    decimals = max(0, 1 - math.floor(math.log10(shown))) if shown > 0.0 else 0
    return f"{typeset(f'{shown:.{decimals}f}')} {unit}"


def lasting(seconds: float) -> str:
    """``1 h 47 min``; of less than two minutes, seconds."""
    if seconds < 120.0:
        return f"{seconds:.3g} s"
    hours, minutes = divmod(round(seconds / 60.0), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def typeset(number: str) -> str:
    """A number in digits (``-12345.60``, ``1.5e-07``) with thin spaces and a true minus."""
    whole, point, rest = number.partition(".")
    # As text: a number of any length keeps its digits.
    for end in range(len(whole) - 3, 0, -3):
        if whole[end - 1].isdigit():
            whole = whole[:end] + THIN_SPACE + whole[end:]
    return (whole + point + rest).replace("-", MINUS)
