"""How the values of one channel, stored and made again, compare."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Tally"]


@dataclass
class Tally:
    """Counted over all records of the channel."""

    n: int = 0
    differ: int = 0
    first: tuple[int, float, float, float] | None = None
    """Record, run time, stored and made value of the first difference."""
    worst: float = 0.0
    """Greatest difference, in the channel's unit; infinite where one side has no value."""
    unlike: int = 0
    """Records that miss a flag, or have one too many."""
    first_flag: tuple[int, int, int] | None = None
    taken_away: int = 0
    """Of those, records with a flag stored that is not made now."""
