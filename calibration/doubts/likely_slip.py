"""What slip of the pen a ratio of readings looks like: another unit, a zero, a sign."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.units import UNITS, factor, quantity_of, units_of

if TYPE_CHECKING:
    from calibration.readings.readings import Readings

__all__ = ["likely_slip"]

ALIKE: Final = 0.01
"""Relative; a ratio of units is met to within the curve's own errors."""
_POWERS: Final = (0.001, 0.01, 0.1, 10.0, 100.0, 1000.0)


def likely_slip(ratio: float, readings: Readings) -> str:
    """Words for a reading ``ratio`` times what is expected, or none; they begin with a comma."""
    if abs(ratio + 1.0) <= ALIKE:
        return ", as if the sign were wrong"
    for unit in units_of("force"):
        if unit != readings.force_unit and _alike(
            ratio, factor(unit) / factor(readings.force_unit)
        ):
            return f", as if the force had been written in {unit}"
    if readings.reading_unit in UNITS:
        own = readings.reading_unit
        for unit in units_of(quantity_of(own)):
            if unit != own and _alike(ratio, factor(own) / factor(unit)):
                return f", as if the reading had been written in {unit}"
    if any(_alike(ratio, power) for power in _POWERS):
        return ", as if a zero were missing or a decimal point had slipped"
    return ""


def _alike(ratio: float, other: float) -> bool:
    # Nobody takes one unit for another that differs by less than a tenth.
    return abs(other - 1.0) > 0.1 and abs(ratio / other - 1.0) <= ALIKE
