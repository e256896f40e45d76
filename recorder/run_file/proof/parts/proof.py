"""The outcome of one check of a run file: proved, not proved, or contradicted, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

__all__ = ["Check", "Proof", "State", "first_of"]

TOLD: Final = 3
"""Contradictions told one by one; the others are counted."""


class State(StrEnum):
    """What a check came to. Results of ``verify`` hold these words."""

    PROVED = "proved"
    NOT_PROVED = "not proved"
    """It could not be checked, or the file does not hold enough to say."""
    CONTRADICTED = "contradicted"


class Check(StrEnum):
    """What is checked. Results of ``verify`` hold these words."""

    DIGESTS = "digests"
    READS = "parts read"
    """Whether all that was written down reads at all."""
    GAPS = "counts against gaps"
    """Holes in ticks and sequence against the gaps that tell of them."""
    RECORDS = "counts of records"
    """Records in the file against blocks, status and stop."""
    SENTENCES = "sentences read again"
    VALUES = "values made again"
    HEALTH = "health found again"
    TICKS = "ticks tied again"
    UTC = "UTC tied again"
    OVERVIEWS = "overviews made again"
    HEADER = "header"
    EVENTS = "gaps and events as recorded"
    MARKS = "history of marks"
    CERTIFICATES = "certificates"
    CLOCKS = "clocks against each other"
    """Paces of devices, receiver and computer."""
    PLAUSIBILITY = "plausibility"


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What one check of one part of the run came to."""

    check: Check
    state: State
    words: str
    """One line: what was compared and how it came out, with figures; or why it was not."""
    of: str = ""
    """Device, channel, certificate or doubt that it is about; empty: the whole run."""

    @property
    def line(self) -> str:
        """One line for a person."""
        return f"{self.check}{f', {self.of}' if self.of else ''}: {self.words}"


def first_of(wrong: Sequence[str]) -> str:
    """The first few of what contradicts a part, and how many there are more."""
    more = len(wrong) - TOLD
    return "; ".join(wrong[:TOLD]) + (f"; and {more:,} more" if more > 0 else "")
