"""One figure of a calibration: a number with its unit, or none and the reason why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Self

__all__ = ["Figure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure of the certificate."""

    name: str
    value: float | str | None
    unit: str
    """Of the value; stated also when there is none."""
    formula: str
    """In words or symbols, as the docstring of its function gives it."""
    source: str
    reason: str = ""
    """Why there is no value, or what limits it."""
    detail: dict[str, Any] = field(default_factory=dict)
    """What it was worked from: values at each force and the like, plain JSON."""

    @property
    def assessed(self) -> bool:
        return self.value is not None

    def without(self, reason: str) -> Self:
        """The same figure, not assessed, and why."""
        return type(self)(
            name=self.name,
            value=None,
            unit=self.unit,
            formula=self.formula,
            source=self.source,
            reason=f"not assessed: {reason}",
        )

    def to_document(self) -> dict[str, Any]:
        """Plain JSON."""
        return {
            "value": self.value,
            "unit": self.unit,
            "reason": self.reason or None,
            "formula": self.formula,
            "source": self.source,
            "detail": self.detail,
        }
