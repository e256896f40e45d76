"""One stretch of a run: its bins, its throttle setting, who said so."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from recorder.marks.handling import ThrottleMark

__all__ = ["Stretch", "StretchSource"]

_UNMARKED: Final = ThrottleMark()


class StretchSource(StrEnum):
    """Who said where a stretch begins and ends."""

    FOUND = "found"
    """Cut by the limits."""
    CREW = "crew"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One stretch, by bins of the series."""

    start: int
    stop: int
    t_start_s: float
    t_end_s: float
    setting: ThrottleMark = _UNMARKED
    """Throttle as last marked; bare when never marked."""
    source: StretchSource = StretchSource.FOUND
    reason: str = ""
    """Why the crew added it."""
    struck: str = ""
    """Why the crew struck it out; empty when it stands."""

    @property
    def span(self) -> slice:
        """Its bins."""
        return slice(self.start, self.stop)

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return self.t_end_s - self.t_start_s

    @property
    def name(self) -> str:
        """Stable name for causes and tables: start and end in tenths of a second."""
        return f"{self.t_start_s:.1f}-{self.t_end_s:.1f} s"
