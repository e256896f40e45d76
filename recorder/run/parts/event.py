"""An event of a run: whatever is worth keeping beside records and marks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = ["Event", "EventKind"]


class EventKind(StrEnum):
    """What an event is about. Journal and run file hold these words."""

    GAP = "gap"
    ZERO = "zero"
    SHUNT_CHECK = "shunt_check"
    HEALTH = "health"
    CHANNEL_HEALTH = "channel_health"
    """A stretch in which a channel was not sound."""
    HOST_CLOCK = "host_clock"
    """What the clock is that the run is timed by, and the day of the version that records."""
    CLOCK_ANCHOR = "clock_anchor"
    WALL_CLOCK_STEP = "wall_clock_step"
    SUSPENDED = "suspended"
    DISK = "disk"
    LINK = "link"
    BUG = "bug"
    WARNING = "warning"
    STOP = "stop"
    IMPORT = "import"
    DAMAGED = "damaged"
    """An event whose data do not read."""
    JOURNAL_DAMAGE = "journal_damage"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One event with its numbers as JSON."""

    kind: str
    """An :class:`EventKind`; a file of another version may hold a word that is none."""
    t_s: float
    """Run time."""
    data: dict[str, Any]
