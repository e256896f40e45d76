"""What a person reads: SI inside, metric or customary on the screen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.units import convert

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["NO_VALUE", "SYSTEMS", "DisplayUnit", "display_unit", "other_system"]

SYSTEMS: Final = ("metric", "customary")
NO_VALUE: Final = "– – –"
"""Shown where there is no number: never an old one, never a zero."""


@dataclass(frozen=True, slots=True)
class DisplayUnit:
    """One quantity in one system of units."""

    label: str
    """As written on the screen: ``km/h``."""
    factor: float
    """``shown = SI value · factor`` (SI value in the unit of the run: kN, m/s, kW, m …)."""
    decimals: int
    """Of the large numeral."""

    def shown(self, value: ArrayLike) -> NDArray[np.float64]:
        """(...) values of the run → (...) float64 as shown."""
        return np.asarray(np.asarray(value, dtype=np.float64) * self.factor)

    def text(self, value: float | None, *, sign: bool = False) -> str:
        """A number for a person: thin spaces by thousands, a true minus sign."""
        if value is None or not math.isfinite(value):
            return NO_VALUE
        number = value * self.factor
        rounded = round(number, self.decimals)
        body = f"{abs(rounded):,.{self.decimals}f}".replace(",", "\u2009")
        if rounded == 0.0:
            return body
        return ("−" if rounded < 0 else "+" if sign else "") + body


def _between(run_unit: str, shown_unit: str) -> float:
    return float(convert(1.0, run_unit, shown_unit))


_TABLE: Final[dict[str, dict[str, tuple[str, str, str, int]]]] = {
    # quantity: system → unit of the run, unit shown, label, decimals
    "pull": {
        "metric": ("kN", "kN", "kN", 1),
        "customary": ("kN", "klbf", "klbf", 2),
    },
    "speed": {
        "metric": ("m_s", "km_h", "km/h", 1),
        "customary": ("m_s", "mph", "mph", 1),
    },
    "power": {
        "metric": ("kW", "kW", "kW", 0),
        "customary": ("kW", "hp", "hp", 0),
    },
    "work": {
        "metric": ("kJ", "MJ", "MJ", 1),
        "customary": ("kJ", "hph", "hp·h", 1),
    },
    "distance": {
        "metric": ("m", "km", "km", 3),
        "customary": ("m", "miles", "mi", 3),
    },
    "short_distance": {
        "metric": ("m", "m", "m", 0),
        "customary": ("m", "ft", "ft", 0),
    },
    "acceleration": {
        "metric": ("m_s2", "m_s2", "m/s²", 2),
        "customary": ("m_s2", "ft_s2", "ft/s²", 2),
    },
}

_OWN_FACTORS: Final = {("kJ", "hph"): 1.0 / (_between("hp", "kW") * 3600.0)}
"""Horsepower-hours are of this table alone: 1 hp·h = power of 1 hp in kW · 3600 s, in kJ."""


def display_unit(quantity: str, system: str, *, run_unit: str = "") -> DisplayUnit:
    """How a quantity is shown; an unknown quantity is shown in the unit of the run.

    Raises
    ------
    ValueError
        ``system`` is neither ``metric`` nor ``customary``.
    """
    if system not in SYSTEMS:
        msg = f"units must be metric or customary, got {system!r}"
        raise ValueError(msg)
    row = _TABLE.get("speed" if quantity == "gnss_speed" else quantity)
    if row is None:
        return DisplayUnit(run_unit, 1.0, 2)
    run, shown, label, decimals = row[system]
    own = _OWN_FACTORS.get((run, shown))
    return DisplayUnit(label, _between(run, shown) if own is None else own, decimals)


def other_system(system: str) -> str:
    """The system that is not in use."""
    return "customary" if system == "metric" else "metric"
