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
    slips = dict.fromkeys(_POWERS, "as if a zero were missing or a decimal point had slipped")
    own = readings.force_unit
    for unit in units_of("force"):
        slips.setdefault(
            factor(unit) / factor(own), f"as if the force had been written in {unit}"
        )
    own = readings.reading_unit
    for unit in units_of(quantity_of(own)) if own in UNITS else ():
        slips.setdefault(
            factor(own) / factor(unit), f"as if the reading had been written in {unit}"
        )
    # Nobody takes one unit for another that differs by less than a tenth.
    known = [slip for slip in slips if abs(slip - 1.0) > 0.1]
    nearest = min(known, key=lambda slip: abs(ratio / slip - 1.0))
    return f", {slips[nearest]}" if abs(ratio / nearest - 1.0) <= ALIKE else ""
