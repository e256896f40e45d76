"""A doubt about readings: which rows, and what speaks against them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = ["Doubt", "DoubtKind", "plain"]


class DoubtKind(StrEnum):
    """What is doubted."""

    READING = "reading"
    """One reading far from the curve of the others."""
    SWAPPED = "swapped"
    """Two readings that fit when they are exchanged."""
    SERIES = "series"
    """A whole series off the others."""
    ZERO = "zero"
    """A zero far from the other zeros."""
    TEMPERATURE = "temperature"
    POSITION = "position"
    OUTSIDE = "outside"
    """More readings outside the expanded uncertainty than chance allows."""
    COVERAGE = "coverage"
    """Forces that leave a part of the range bare."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One doubt."""

    kind: DoubtKind
    rows: tuple[int, ...]
    """As the table counts them."""
    text: str
    """One line, rows and all."""
    expected: float | None = None
    """Reading as it would be indicated by what the others say; None where nothing tells."""
    residual: float | None = None
    """Reading less expected, unit of reading."""
    residual_pct: float | None = None
    """Of the expected deflection."""

    def to_document(self) -> dict[str, Any]:
        """Plain JSON."""
        return {
            "kind": str(self.kind),
            "rows": list(self.rows),
            "text": self.text,
            "expected": self.expected,
            "residual": self.residual,
            "residual_pct": self.residual_pct,
        }


def plain(value: float, *, digits: int = 4, sign: str = "") -> str:
    """A number to so many significant digits at the least, never with an exponent."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:{sign}.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
