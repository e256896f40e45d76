"""One reason to doubt a record, and what a check came to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Self

__all__ = ["CheckState", "Checked", "Doubt", "DoubtKind"]


class CheckState(StrEnum):
    """What a check came to. Results of ``verify`` hold these words."""

    PASSED = "passed"
    NOT_CHECKED = "not checked"
    """The run holds too little of what the check goes by."""
    DOUBTED = "doubted"


class DoubtKind(StrEnum):
    """What is doubted. Results, companions and the command line hold these words."""

    PULL_SIGN = "pull-sign"
    PULL_UNIT = "pull-unit"
    SPEED_UNIT = "speed-unit"
    """Gravity and inertia tell different masses."""
    MASS = "mass"
    RESISTANCE = "resistance"
    """Of the trailing load, below nought."""
    GRADE = "grade"
    DISTANCE = "distance"
    """Against the speed."""
    WHEEL = "wheel"
    """Against posts or GNSS."""
    ADHESION = "adhesion"
    POWER = "power"
    MILEPOSTS = "mileposts"
    STUCK = "stuck"
    DRIFT = "drift-at-rest"
    CERTIFICATE = "certificate"
    """Of another cell, not as its readings give it, or falsely signed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """What contradicts the record."""

    kind: DoubtKind
    text: str
    """One line: what was got, what was expected, which slip fits, what to do."""
    value: float
    limit: float
    """The bound that the value is beyond."""
    stops: bool = True
    """No verdict while it stands."""
    answer: str = ""
    """The crew's reason why the record is right all the same; empty while it stands."""

    @property
    def stands(self) -> bool:
        """Whether it keeps the run from a verdict."""
        return self.stops and not self.answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One check and its outcome."""

    name: str
    outcome: str
    """In words: the figure and its limit; of what was not checked, why."""
    doubt: Doubt | None = None
    tells: bool = True
    """Whether the run holds what the check goes by: without it, no doubt is no good sign."""

    @classmethod
    def not_checked(cls, name: str, why: str) -> Self:
        """One that could not be made."""
        return cls(name=name, outcome=why, tells=False)

    @property
    def state(self) -> CheckState:
        """What it came to."""
        if self.doubt is not None:
            return CheckState.DOUBTED
        return CheckState.PASSED if self.tells else CheckState.NOT_CHECKED
