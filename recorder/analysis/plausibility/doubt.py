"""One doubt about a record: what was found, what was expected, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Doubt", "DoubtKind"]


class DoubtKind(StrEnum):
    """What is doubted; the word by which a crew answers it."""

    PULL_SIGN = "pull-sign"
    PULL_UNIT = "pull-unit"
    SPEED_UNIT = "speed-unit"
    MASS = "mass"
    DISTANCE = "distance"
    WHEEL = "wheel"
    ADHESION = "adhesion"
    POWER = "power"
    MILEPOSTS = "mileposts"
    STUCK = "stuck"


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """What contradicts a record."""

    kind: DoubtKind
    text: str
    """One line: what was got, what was expected, what to do."""
    value: float
    """What was found, in the unit the text gives."""
    limit: float
    stops: bool = True
    """No verdict while it stands."""
    answer: str = ""
    """The crew's reason why the record is right all the same; empty while it stands."""

    @property
    def stands(self) -> bool:
        """It stops a verdict, and nobody answered it."""
        return self.stops and not self.answer
