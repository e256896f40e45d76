"""What unit each quantity is shown in, and with how many digits: metric or customary.

SI inside; one of two editions at the edges. Screen and paper both ask here, so that they agree.
The customary edition keeps to what North American motive-power work has always been stated in
(from experience):

* drawbar pull in pounds, whole: rolls, tonnage ratings and tractive-effort formulas are all in
  pounds, and a figure in thousands of them is found in none;
* acceleration in miles an hour a second, as braking and starting are stated; feet a second
  squared belong to mechanics, not to train running;
* train resistance in pounds a short ton, trailing load in short tons, work in horsepower-hours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.units import exact_ratio
from calibration.quantities.written import symbol, written

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Edition", "ShownUnit", "shown_quantity", "shown_unit"]


class Edition(StrEnum):
    """Which units a reader asked for."""

    METRIC = "metric"
    CUSTOMARY = "customary"

    @property
    def other(self) -> Edition:
        """The one that is not in use."""
        return Edition.CUSTOMARY if self is Edition.METRIC else Edition.METRIC


@dataclass(frozen=True, slots=True)
class ShownUnit:
    """One quantity in one edition."""

    label: str
    """As written: ``km/h``."""
    factor: float
    """Shown value over the value inside."""
    decimals: int
    """Where no uncertainty decides on the digits."""

    def shown(self, value: ArrayLike) -> NDArray[np.float64]:
        """(...) values inside → (...) float64 as shown."""
        return np.asarray(np.asarray(value, dtype=np.float64) * self.factor)

    def text(self, value: float | None, *, sign: bool = False) -> str:
        """The number for a person, as :func:`calibration.quantities.written.written`."""
        return written(None if value is None else value * self.factor, self.decimals, sign=sign)


@dataclass(frozen=True, slots=True)
class _Row:
    """One unit inside, by its name in the table, and what each edition shows for it."""

    inside: str
    metric: tuple[str, int]
    """Unit and decimals."""
    customary: tuple[str, int]


_ROWS: Final[Mapping[str, _Row]] = {
    "kN": _Row("kN", ("kN", 1), ("lbf", 0)),
    "m/s": _Row("m_s", ("km_h", 1), ("mph", 1)),
    "km/h": _Row("km_h", ("km_h", 1), ("mph", 1)),
    "kW": _Row("kW", ("kW", 0), ("hp", 0)),
    "kJ": _Row("kJ", ("MJ", 1), ("hp_h", 1)),
    "kWh": _Row("kWh", ("kWh", 1), ("hp_h", 1)),
    "hp·h": _Row("hp_h", ("hp_h", 1), ("hp_h", 1)),
    "m": _Row("m", ("m", 0), ("ft", 0)),
    "km": _Row("km", ("km", 3), ("mi", 3)),
    "m/s²": _Row("m_s2", ("m_s2", 2), ("mph_s", 2)),
    "t": _Row("t", ("t", 0), ("short_tons", 0)),
    "kg": _Row("kg", ("kg", 0), ("lb", 0)),
    "L": _Row("L", ("L", 0), ("gal", 0)),
    "counts": _Row("counts", ("counts", 0), ("counts", 0)),
    "pulses": _Row("pulses", ("pulses", 0), ("pulses", 0)),
    "N/t": _Row("N_per_t", ("N_per_t", 2), ("lb_per_short_ton", 2)),
}
"""By the unit inside, as it is written."""
_QUOTIENTS: Final[Mapping[str, tuple[str, str, int]]] = {
    "N/t/(km/h)": ("N/t", "km/h", 1),
    "N/t/(km/h)²": ("N/t", "km/h", 2),
    "kg/kWh": ("kg", "kWh", 1),
    "L/kWh": ("L", "kWh", 1),
    "kg/(hp·h)": ("kg", "hp·h", 1),
    "L/(hp·h)": ("L", "hp·h", 1),
}
"""Units that are quotients: above, below, and the power of what is below."""
_QUANTITIES: Final[Mapping[str, tuple[str, str]]] = {
    "pull": ("kN", "kN"),
    "speed": ("m/s", "m/s"),
    "gnss_speed": ("m/s", "m/s"),
    "power": ("kW", "kW"),
    "work": ("kJ", "kJ"),
    # Along the road in whole kilometres or miles, at hand in metres or feet.
    "distance": ("m", "km"),
    "short_distance": ("m", "m"),
    "acceleration": ("m/s²", "m/s²"),
}
"""Quantity: its unit inside, and the unit inside whose row shows it."""


@lru_cache(maxsize=256)  # asked for by every panel in every frame
def shown_unit(inside: str, edition: str) -> ShownUnit:
    """How figures in a unit inside (``"m/s"``) are shown; an unknown unit stays as it is.

    Raises
    ------
    ValueError
        ``edition`` is none.
    """
    chosen = _edition(edition)
    if inside in _QUOTIENTS:
        above, below, power = _QUOTIENTS[inside]
        top, bottom = shown_unit(above, chosen), shown_unit(below, chosen)
        name = f"({bottom.label})" if set(bottom.label) & set("/·") else bottom.label
        label = f"{top.label}/{name}" + ("²" if power == 2 else "")
        return ShownUnit(label, top.factor / bottom.factor**power, 3)
    row = _ROWS.get(inside)
    if row is None:
        return ShownUnit(inside, 1.0, 2)
    unit, decimals = row.metric if chosen is Edition.METRIC else row.customary
    return ShownUnit(symbol(unit), exact_ratio(row.inside, unit), decimals)


@lru_cache(maxsize=256)
def shown_quantity(quantity: str, edition: str, *, inside: str = "") -> ShownUnit:
    """How a quantity is shown; an unknown one, or one that is not in its SI unit (counts), in the
    unit it has, ``inside``.

    Raises
    ------
    ValueError
        ``edition`` is none.
    """
    given, row = _QUANTITIES.get(quantity, (inside, inside))
    if inside not in ("", given):
        return shown_unit(inside, edition)
    shown = shown_unit(row, edition)
    if given == row:
        return shown
    scale = exact_ratio(_ROWS[given].inside, _ROWS[row].inside)
    return ShownUnit(shown.label, shown.factor * scale, shown.decimals)


def _edition(name: str) -> Edition:
    try:
        return Edition(name)
    except ValueError as error:
        msg = f"units must be metric or customary, got {name!r}"
        raise ValueError(msg) from error
