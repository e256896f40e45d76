"""Units of the trade: exact factors, conversion, columns that carry their unit in the name.

Factors are exact by definition (international yard and pound of 1959, standard gravity
9.80665 m/s², SI brochure for hour and degree), worked in fractions and rounded once to
float64. Names are written as in column names: ``km_h`` is km/h, ``m_s2`` is m/s².
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "UNITS",
    "Unit",
    "UnitError",
    "convert",
    "exact_ratio",
    "factor",
    "find_unit",
    "quantity_of",
    "split_column",
    "units_of",
]


class UnitError(ValueError):
    """A unit nobody knows, or two units of different quantities."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: ``value_SI = value * factor + offset``."""

    name: str
    quantity: str
    """``force``, ``length``, ``speed``, …; conversion stays inside one quantity."""
    factor: float
    """SI base units of the quantity (N, m, s, m/s, m/s², W, J, kg, Pa, K, …) in one unit."""
    offset: float = 0.0
    """K; only temperatures have one."""


_LB: Final = Fraction("0.45359237")
_G: Final = Fraction("9.80665")
_LBF: Final = _LB * _G
_FT: Final = Fraction("0.3048")
_IN: Final = _FT / 12
_MI: Final = 5280 * _FT
_HOUR: Final = Fraction(3600)
_HP: Final = 550 * _FT * _LBF
_SURVEY_FT: Final = Fraction(1200, 3937)
_SHORT_TON: Final = 2000 * _LB
_LONG_TON: Final = 2240 * _LB

_TABLE: Final[Mapping[str, Mapping[str, Fraction | float | int]]] = {
    "force": {
        "N": 1,
        "kN": 1000,
        "MN": 10**6,
        "daN": 10,
        "mN": Fraction(1, 1000),
        "lbf": _LBF,
        "klbf": 1000 * _LBF,
        "kip": 1000 * _LBF,
        "ozf": _LBF / 16,
        "gf": _G / 1000,
        "kgf": _G,
        "kp": _G,
        "tf": 1000 * _G,
        "tonf_short": _SHORT_TON * _G,
        "tonf_long": _LONG_TON * _G,
    },
    "length": {
        "m": 1,
        "km": 1000,
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
        "um": Fraction(1, 10**6),
        "in": _IN,
        "ft": _FT,
        "yd": 3 * _FT,
        "chain": 66 * _FT,
        "mi": _MI,
        "us_survey_ft": _SURVEY_FT,
        "us_survey_mi": 5280 * _SURVEY_FT,
        "nmi": 1852,
    },
    "time": {
        "s": 1,
        "ms": Fraction(1, 1000),
        "us": Fraction(1, 10**6),
        "ns": Fraction(1, 10**9),
        "min": 60,
        "h": _HOUR,
        "d": 24 * _HOUR,
    },
    "speed": {
        "m_s": 1,
        "km_h": 1000 / _HOUR,
        "mph": _MI / _HOUR,
        "ft_s": _FT,
        "ft_min": _FT / 60,
        "kn": 1852 / _HOUR,
    },
    "acceleration": {
        "m_s2": 1,
        "ft_s2": _FT,
        "km_h_s": 1000 / _HOUR,
        "mph_s": _MI / _HOUR,
        "g0": _G,
    },
    "power": {
        "W": 1,
        "kW": 1000,
        "MW": 10**6,
        "hp": _HP,
        "hp_metric": 75 * _G,
        "hp_electric": 746,
    },
    "energy": {
        "J": 1,
        "kJ": 1000,
        "MJ": 10**6,
        "GJ": 10**9,
        "kWh": 1000 * _HOUR,
        "MWh": 10**6 * _HOUR,
        "hp_h": _HP * _HOUR,
        "ft_lbf": _FT * _LBF,
        "ft_tonf_short": _FT * _SHORT_TON * _G,
        "kN_m": 1000,
        "kN_km": 10**6,
    },
    "mass": {
        "kg": 1,
        "g": Fraction(1, 1000),
        "t": 1000,
        "lb": _LB,
        "cwt_long": 112 * _LB,
        "short_tons": _SHORT_TON,
        "long_tons": _LONG_TON,
    },
    "pressure": {
        "Pa": 1,
        "hPa": 100,
        "kPa": 1000,
        "MPa": 10**6,
        "bar": 10**5,
        "mbar": 100,
        "psi": _LBF / _IN**2,
        "kgf_cm2": _G * 10**4,
        "inHg": Fraction("3386.389"),
        "atm": 101325,
    },
    "area": {
        "m2": 1,
        "cm2": Fraction(1, 10**4),
        "mm2": Fraction(1, 10**6),
        "in2": _IN**2,
        "ft2": _FT**2,
    },
    "volume": {
        "m3": 1,
        "L": Fraction(1, 1000),
        "gal": 231 * _IN**3,
        "gal_imp": Fraction("0.00454609"),
        "ft3": _FT**3,
    },
    "angle": {
        "rad": 1,
        "mrad": Fraction(1, 1000),
        "deg": math.pi / 180.0,
    },
    "frequency": {"Hz": 1, "kHz": 1000, "rpm": Fraction(1, 60)},
    "ratio": {
        "1": 1,
        "pct": Fraction(1, 100),
        "permille": Fraction(1, 1000),
        "ppm": Fraction(1, 10**6),
    },
    "curvature": {"per_m": 1, "per_km": Fraction(1, 1000)},
    "stiffness": {"N_mm": 1000, "kN_mm": 10**6, "lbf_in": _LBF / _IN},
    "specific_resistance": {
        "N_per_kg": 1,
        "N_per_t": Fraction(1, 1000),
        "kN_per_t": 1,
        "lb_per_short_ton": _LBF / _SHORT_TON,
        "lb_per_long_ton": _LBF / _LONG_TON,
    },
    "voltage": {"V": 1, "mV": Fraction(1, 1000)},
    "current": {"A": 1, "mA": Fraction(1, 1000)},
    "voltage_ratio": {"mV_V": 1},
    "counts": {"counts": 1},
    "pulses": {"pulses": 1},
}

_ALIASES: Final[Mapping[str, str]] = {
    "km/h": "km_h",
    "m/s": "m_s",
    "ft/s": "ft_s",
    "m/s2": "m_s2",
    "m/s²": "m_s2",
    "mV/V": "mV_V",
    "°C": "C",
    "degC": "C",
    "deg_C": "C",
    "°F": "F",
    "degF": "F",
    "deg_F": "F",
    "%": "pct",
    "‰": "permille",
    "us_ft": "us_survey_ft",
    "tonf_us": "tonf_short",
    "tonf_uk": "tonf_long",
    "short_tonf": "tonf_short",
    "long_tonf": "tonf_long",
    "lbs_force": "lbf",
    "tonnes": "t",
    "tonne": "t",
    "mile": "mi",
    "miles": "mi",
    "kmh": "km_h",
    "kph": "km_h",
    "mi_h": "mph",
    "lbs": "lb",
    "short_ton": "short_tons",
    "long_ton": "long_tons",
    "l": "L",
    "gal_us": "gal",
    "percent": "pct",
    "per cent": "pct",
    "per mille": "permille",
    "per_mille": "permille",
    "sec": "s",
    "hours": "h",
    "count": "counts",
    "psig": "psi",
    "N/t": "N_per_t",
    "lbf_per_short_ton": "lb_per_short_ton",
    "lbf_per_long_ton": "lb_per_long_ton",
}


def _build() -> Mapping[str, Unit]:
    units = {
        name: Unit(name, quantity, float(value))
        for quantity, members in _TABLE.items()
        for name, value in members.items()
    }
    units["K"] = Unit("K", "temperature", 1.0)
    units["C"] = Unit("C", "temperature", 1.0, 273.15)
    units["F"] = Unit("F", "temperature", 5.0 / 9.0, 459.67 * 5.0 / 9.0)
    for alias, name in _ALIASES.items():
        units[alias] = units[name]
    return MappingProxyType(units)


UNITS: Final[Mapping[str, Unit]] = _build()
"""Every unit by name, aliases included."""


def units_of(quantity: str) -> tuple[str, ...]:
    """Names of all units of a quantity, aliases left out; empty for an unknown quantity."""
    return tuple(n for n, unit in UNITS.items() if unit.quantity == quantity and unit.name == n)


def find_unit(name: str, *, quantity: str | None = None) -> Unit:
    """Look a unit up by name.

    With a quantity, a spelling that differs only in capitals is accepted when it can mean one
    unit of that quantity only (``KN`` for kN; never ``mn``, which may be mN or MN).

    Raises
    ------
    UnitError
        Unknown name, or a unit of another quantity.
    """
    unit = UNITS.get(name)
    if unit is not None and (quantity is None or unit.quantity == quantity):
        return unit
    if quantity is not None:
        close = {
            other.name: other
            for spelt, other in UNITS.items()
            if other.quantity == quantity and spelt.lower() == name.lower()
        }
        if len(close) == 1:
            return next(iter(close.values()))
        allowed = ", ".join(units_of(quantity))
        msg = f"unit {name!r} is not a unit of {quantity}; allowed: {allowed}"
        raise UnitError(msg)
    msg = f"unknown unit {name!r}"
    raise UnitError(msg)


def factor(unit: str) -> float:
    """SI base units in one ``unit`` (``factor("kN") == 1000.0``).

    Raises
    ------
    UnitError
        Unknown unit, or one with an offset (C, F), which a factor alone cannot convert.
    """
    found = find_unit(unit)
    if found.offset:
        msg = f"unit {unit!r} has an offset: use convert"
        raise UnitError(msg)
    return found.factor


def exact_ratio(from_unit: str, to_unit: str) -> float:
    """``to_unit`` in one ``from_unit``, worked in fractions and rounded once (m_s, km_h: 3.6).

    Raises
    ------
    UnitError
        Unknown unit, units of different quantities, or one with an offset (C, F).
    """
    source, target = find_unit(from_unit), find_unit(to_unit)
    if source.quantity != target.quantity or source.offset or target.offset:
        msg = f"no ratio of {from_unit} ({source.quantity}) to {to_unit} ({target.quantity})"
        raise UnitError(msg)
    if source.quantity == "temperature":
        return source.factor / target.factor
    members = _TABLE[source.quantity]
    return float(Fraction(members[source.name]) / Fraction(members[target.name]))


def quantity_of(unit: str) -> str:
    """The quantity a unit measures; raises ``UnitError`` for an unknown one."""
    return find_unit(unit).quantity


def convert(values: ArrayLike, from_unit: str, to_unit: str) -> NDArray[np.float64]:
    """Convert values between two units of one quantity.

    Parameters
    ----------
    values : (...) real

    Returns
    -------
    (...) float64
        New array of the same shape; 0-dimensional for a scalar. Infinite where float64 ends.

    Raises
    ------
    UnitError
        Unknown unit, or units of different quantities.
    """
    source, target = find_unit(from_unit), find_unit(to_unit)
    if source.quantity != target.quantity:
        msg = f"cannot convert {from_unit} ({source.quantity}) to {to_unit} ({target.quantity})"
        raise UnitError(msg)
    array = np.asarray(values, dtype=np.float64)
    if source.name == target.name:
        return array.copy()
    with np.errstate(over="ignore"):  # infinite, for who checks the range
        if source.offset or target.offset:
            away = source.offset - target.offset
            return np.asarray((array * source.factor + away) / target.factor)
        # Whole ratios stay exact: 12 in is exactly 1 ft.
        inverse = target.factor / source.factor
        if inverse == round(inverse) and abs(inverse) >= 1.0:
            return np.asarray(array / inverse)
        return np.asarray(array * (source.factor / target.factor))


def split_column(name: str) -> tuple[str, str]:
    """Split a column name into quantity and unit: ``"speed_km_h"`` → ``("speed", "km_h")``.

    The longest ending that is a known unit wins. A name without one gives ``(name, "")``.
    """
    parts = name.strip().split("_")
    for start in range(1, len(parts)):
        unit = "_".join(parts[start:])
        if unit in UNITS:
            return "_".join(parts[:start]), unit
    return name.strip(), ""
