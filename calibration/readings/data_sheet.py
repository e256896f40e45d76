"""What the maker of a cell states of it: the bound of every effect that was not measured."""

from __future__ import annotations

from dataclasses import dataclass, fields

from calibration.readings.stated_facts import fail_fact

__all__ = ["DataSheet"]


@dataclass(frozen=True, kw_only=True)
class DataSheet:
    """Largest magnitudes as stated by the maker; None where not stated."""

    source: str = ""
    """Which data sheet, with its date or revision."""
    rotation_pct: float | None = None
    """Largest change of sensitivity from mounting to mounting, % of reading."""
    hysteresis_pct: float | None = None
    """Largest difference of falling and rising readings, % of capacity."""
    creep_pct: float | None = None
    """Change in 30 min or less under load, % of the applied load."""
    zero_return_pct: float | None = None
    """Change of the zero after a load, % of capacity."""
    temperature_zero_pct_per_K: float | None = None
    """% of capacity per kelvin."""
    temperature_span_pct_per_K: float | None = None
    """% of reading per kelvin."""

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name != "source" and value is not None and not 0.0 <= value <= 100.0:
                fail_fact(f"data_sheet.{item.name}", value, "0 to 100")
