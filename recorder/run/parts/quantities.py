"""What a channel may measure, and the unit its values have in a run: SI, one for each quantity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from calibration.quantities.units import split_column
from calibration.quantities.written import symbol

__all__ = [
    "COUNTS",
    "FASTEST_M_S",
    "PULSES",
    "RUN_UNITS",
    "WHEEL_FIELD",
    "made_unit",
    "run_unit",
]

COUNTS: Final = "counts"
PULSES: Final = "pulses"
"""Units of what nothing has made into a quantity: of any device, and of a wheel."""
FASTEST_M_S: Final = 150.0
"""No train: a count that moved faster did not move, it began anew."""
WHEEL_FIELD: Final = "count"
"""Field of a wheel's records that its certificate makes distance and speed of."""

RUN_UNITS: Final[Mapping[str, str]] = {
    "time": "s",
    "pull": "kN",
    "speed": "m_s",
    "distance": "m",
    "acceleration": "m_s2",
    "power": "kW",
    "elevation": "m",
    "temperature": "C",
    "pressure": "Pa",
    "throttle": "pct",
    "notch": "1",
    "latitude": "deg",
    "longitude": "deg",
    "altitude": "m",
    "gnss_speed": "m_s",
    "gnss_course": "deg",
}
"""Quantity → unit by its name in the table of units, ``calibration.quantities.units``."""
_OF_THE_LINE: Final[Mapping[str, str]] = {"grade": "1", "curvature": "per_m"}
"""What an imported table may give of the line, beside what a channel measures."""


def run_unit(quantity: str) -> str:
    """The unit as the run file writes it (``m/s``); raises ``KeyError`` for another quantity."""
    return symbol(RUN_UNITS.get(quantity) or _OF_THE_LINE[quantity])


def made_unit(quantity: str, field: str, *, certified: bool) -> str:
    """The unit of values made from a field of a device's records, whatever they are called.

    A field whose name ends in a unit holds that already (``speed_m_s`` of a receiver). Of any
    other, a certificate makes distance or speed (a wheel's count) or force; without one the
    values are counts.
    """
    own = split_column(field)[1]
    if own:
        return symbol(own)
    if not certified:
        return PULSES if field == WHEEL_FIELD else COUNTS
    if field == WHEEL_FIELD:
        return run_unit("speed" if quantity == "speed" else "distance")
    return run_unit("pull")
