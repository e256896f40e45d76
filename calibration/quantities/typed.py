"""Numbers with units as a person types them: ``187.9 lbf``, ``21,5``, ``70 F``."""

from __future__ import annotations

import math
import re
from typing import Final

from calibration.quantities.units import UnitError, convert, find_unit, units_of

__all__ = ["typed_in", "typed_number", "typed_parts"]

_PART: Final = re.compile(
    r"\s*([+\-\u2212]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][+\-\u2212]?\d+)?)\s*([^\d\s+\-\u2212.,_]\S*)?(?=\s|\Z)"
)
_GROUPED: Final = re.compile(r"[+-]?\d{1,3},\d{3}")


def typed_parts(words: str, what: str) -> list[tuple[float, str]]:
    """Numbers in a row, each with the unit behind it (empty where none).

    Raises
    ------
    UnitError
        Anything that is no number; a comma that may be a decimal one or one of thousands.
    """
    found, at = [], 0
    while at < len(words.rstrip()):
        part = _PART.match(words, at)
        if part is None:
            msg = f"{what} is {words.strip()!r}: a number is needed"
            raise UnitError(msg)
        found.append((typed_number(part[1], what), part[2] or ""))
        at = part.end()
    return found


def typed_number(text: str, what: str) -> float:
    """One number; a comma may stand for the point. Raises ``UnitError``."""
    plain = text.strip().replace("\u2212", "-")
    if _GROUPED.fullmatch(plain):
        msg = f"{what} is {text!r}: is the comma a decimal one? Write a point, or no comma"
        raise UnitError(msg)
    try:
        value = math.nan if "_" in plain else float(plain.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"{what} is {text!r}: a finite number is needed"
        raise UnitError(msg)
    return value


def typed_in(number: float, unit: str, *, quantity: str, plain: str, to: str) -> float:
    """A typed number in ``to``; without a unit it is in ``plain``.

    Raises
    ------
    UnitError
        A unit that nobody knows, or of another quantity, by its name.
    """
    if unit:
        try:
            known = find_unit(unit, quantity=quantity).name
        except UnitError as error:
            allowed = ", ".join(units_of(quantity))
            msg = f"{unit!r} is not a unit of {quantity}; allowed: {allowed}"
            raise UnitError(msg) from error
    else:
        known = plain
    return float(convert(number, known, to))
