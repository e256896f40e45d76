"""Fuel, water and steam, as marked: amounts and pressures with their units."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar, Final, Self

from recorder.marks.grammar import (
    LOOSE,
    NUMBER,
    MarkValue,
    MarkValueError,
    Quantity,
    number,
    plain,
    quantity,
    unit_pattern,
)
from recorder.marks.kinds import Kind

__all__ = ["Amount", "FuelMark", "SteamMark", "StoreMark", "StoreWord", "WaterMark"]

_MASSES: Final = ("kg", "t", "lb", "short_t", "long_t")
_VOLUMES: Final = ("L", "m3", "gal", "us_gal", "imp_gal")
_PRESSURES: Final = ("kPa", "MPa", "bar", "psi")


class StoreWord(StrEnum):
    """What an amount is."""

    USED = "used"
    """Taken from store since the mark of that kind before it."""
    LEVEL = "level"
    """What a gauge or dip shows at this instant."""
    ADDED = "added"
    """Put into store; belongs with levels."""


@dataclass(frozen=True, slots=True)
class Amount:
    """An amount in kg or L with its standard uncertainty."""

    value: float
    unit: str
    """``kg`` or ``L``."""
    u: float | None
    """None where the mark gives none."""


_AMOUNT: Final = re.compile(
    rf"(?:({'|'.join(StoreWord)})\s+)?({NUMBER})\s*({unit_pattern(_MASSES + _VOLUMES)})"
    rf"(?:\s*(?:±|\+/-)\s*({NUMBER}))?\Z",
    LOOSE,
)


@dataclass(frozen=True, slots=True)
class StoreMark(MarkValue):
    """An amount in store, used, or added."""

    word: StoreWord = StoreWord.USED
    quantity: Quantity | None = None
    u: float | None = None
    """Standard uncertainty in the unit of the amount."""

    @property
    def amount(self) -> Amount | None:
        """In kg or L; None for a bare mark."""
        if self.quantity is None:
            return None
        unit = "kg" if self.quantity.unit in _MASSES else "L"
        one = Quantity(1.0, self.quantity.unit).in_unit(unit)
        u = None if self.u is None else self.u * one
        return Amount(self.quantity.in_unit(unit), unit, u)

    @property
    def text(self) -> str:
        """``used 250 kg``, ``level 3200 L ± 40``."""
        if self.quantity is None:
            return ""
        text = f"{self.word} {self.quantity.text}"
        return text if self.u is None else f"{text} ± {plain(self.u)}"

    @classmethod
    def read(cls, text: str) -> Self:
        """``used`` (the word may be left out), ``level`` or ``added``, an amount, its unit."""
        found = _AMOUNT.match(text)
        if found is None:
            units = ", ".join(_MASSES + _VOLUMES)
            msg = (
                f"used, level or added, an amount and its unit ({units}), for example"
                " 'used 250 kg' or 'level 3200 L ± 40'"
            )
            raise MarkValueError(msg)
        word, amount, unit, u = found.groups()
        return cls(
            word=StoreWord((word or StoreWord.USED).lower()),
            quantity=quantity(amount, unit, _MASSES + _VOLUMES),
            u=None if u is None else number(u),
        )


@dataclass(frozen=True, slots=True)
class FuelMark(StoreMark):
    """Fuel."""

    kind: ClassVar[Kind] = Kind.FUEL


@dataclass(frozen=True, slots=True)
class WaterMark(StoreMark):
    """Feed water."""

    kind: ClassVar[Kind] = Kind.WATER


_PRESSURE: Final = re.compile(rf"({NUMBER})\s*({unit_pattern(_PRESSURES)})\Z", LOOSE)


@dataclass(frozen=True, slots=True)
class SteamMark(MarkValue):
    """Boiler pressure, as the gauge shows it."""

    kind: ClassVar[Kind] = Kind.STEAM
    pressure: Quantity | None = None

    @property
    def text(self) -> str:
        """``1380 kPa``."""
        return "" if self.pressure is None else self.pressure.text

    @classmethod
    def read(cls, text: str) -> Self:
        """A number with its unit: a bare one may be kPa or psi."""
        found = _PRESSURE.match(text)
        if found is None:
            units = ", ".join(_PRESSURES)
            msg = f"a pressure and its unit ({units}), for example 1380 kPa"
            raise MarkValueError(msg)
        return cls(pressure=quantity(found[1], found[2], _PRESSURES))
