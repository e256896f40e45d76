"""Numbers in the data of an event: JSON knows no NaN, and a file may hold anything."""

from __future__ import annotations

import math
from typing import Final

__all__ = ["known", "number", "whole"]

_LARGEST: Final = 1e30
"""No count and no time: a whole number beyond all floats is none either."""
_MOST: Final = 2**63 - 1
"""That journal and run file count to, with 64 bits and a sign."""


def known(value: float) -> float | None:
    """As it is written: None for what is not a finite number."""
    return value if math.isfinite(value) else None


def number(value: object) -> float:
    """As it is read: NaN for anything but a finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    return float(value) if abs(value) <= _LARGEST else math.nan


def whole(value: object) -> int:
    """As it is read: 0 for anything but a whole number above 0 that 64 bits hold."""
    if isinstance(value, bool) or not isinstance(value, int):
        return 0
    return value if 0 < value <= _MOST else 0
