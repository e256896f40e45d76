"""What the values of all marks share: clean words, numbers in one form, numbers with a unit."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar, Final, Self

from calibration.quantities.units import convert
from recorder.marks.kinds import Kind, MarkError

__all__ = [
    "LONGEST_NOTE",
    "LONGEST_VALUE",
    "LOOSE",
    "NUMBER",
    "SIGNED",
    "MarkValue",
    "MarkValueError",
    "Quantity",
    "clean",
    "number",
    "plain",
    "quantity",
    "unit_pattern",
]

LONGEST_VALUE: Final = 200
LONGEST_NOTE: Final = 4000

NUMBER: Final = r"(?:[0-9]{1,7}(?:[.,][0-9]{1,6})?|[.,][0-9]{1,6})"
"""A number as a person types one, with a decimal point or comma; at most six places, so that
what is kept reads back as the same number."""
SIGNED: Final = rf"[+-]?{NUMBER}"
LOOSE: Final = re.IGNORECASE | re.ASCII
"""Capitals or not, but only letters of ASCII: others fold into them (``ſ`` into ``s``)."""


class MarkValueError(MarkError):
    """What was typed cannot stand as the value of this kind of mark."""


@dataclass(frozen=True, slots=True)
class MarkValue(ABC):
    """What a mark means. Every class may be made without arguments: a mark keyed bare."""

    kind: ClassVar[Kind]

    @property
    @abstractmethod
    def text(self) -> str:
        """As kept and shown; :meth:`read` of it gives an equal value. Empty for a bare one."""

    @classmethod
    @abstractmethod
    def read(cls, text: str) -> Self:
        """The value of clean words, not empty.

        Raises
        ------
        MarkValueError
            The text is what is allowed, with an example.
        """


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with the unit it was keyed in."""

    amount: float
    unit: str
    """As kept and shown."""

    @property
    def text(self) -> str:
        """As kept: ``250 kg``."""
        return f"{plain(self.amount)} {self.unit}"

    def in_unit(self, unit: str) -> float:
        """The number in a unit of :data:`calibration.quantities.units.UNITS`."""
        return float(convert(self.amount, _IN_TABLE.get(self.unit, self.unit), unit))


_IN_TABLE: Final = {
    "short_t": "short_ton",
    "long_t": "long_ton",
    "us_gal": "gal_us",
    "imp_gal": "gal_imp",
}
"""Units of marks that the table of units spells otherwise."""


def number(text: str) -> float:
    """The number of a text that matches :data:`NUMBER` or :data:`SIGNED`."""
    return float(text.replace(",", "."))


def plain(value: float) -> str:
    """A number without needless digits or exponent: 12, 12.25, -0.8."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def unit_pattern(units: tuple[str, ...]) -> str:
    """One of the units, the longest spelling first."""
    return "|".join(re.escape(unit) for unit in sorted(units, key=len, reverse=True))


def quantity(amount: str, unit: str, units: tuple[str, ...]) -> Quantity:
    """A number and a unit in any capitals; the unit as ``units`` spells it."""
    return Quantity(number(amount), {u.lower(): u for u in units}[unit.lower()])


def clean(text: str) -> str:
    """Words on one line, single spaces between them.

    Raises
    ------
    MarkValueError
        Longer than a value may be, or not printable.
    """
    words = " ".join(text.split())
    if len(words) > LONGEST_VALUE:
        msg = f"at most {LONGEST_VALUE} characters, got {len(words)}; use the note"
        raise MarkValueError(msg)
    if not words.isprintable():
        msg = "printable characters"
        raise MarkValueError(msg)
    return words
