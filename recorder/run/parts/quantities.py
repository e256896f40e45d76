"""What a channel may measure, and the unit its values have in a run: SI, one for each quantity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from calibration.quantities.written import symbol

__all__ = ["RUN_UNITS", "run_unit"]

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


def run_unit(quantity: str) -> str:
    """The unit as the run file writes it (``m/s``); raises ``KeyError`` for another quantity."""
    return symbol(RUN_UNITS[quantity])
