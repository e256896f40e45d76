"""What was asked of a stretch before it was judged: criteria with value and limit."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Admission", "Criterion", "CriterionKind"]


class CriterionKind(StrEnum):
    """What is asked of every stretch; as tables and results.json write it."""

    THROTTLE = "throttle"
    CONFIRMED = "throttle confirmed"
    CUT_OFF = "cut-off"
    SETTLED = "settled"
    LENGTH = "length"
    SPEED_LIMIT = "below the posted limit"
    TREND = "trend"
    OWN_PULL = "own higher pull"
    BORNE_OUT = "borne out"
    BRAKE = "brake off"
    ADHESION = "adhesion"
    SLIP = "no slip"
    SAND = "sand"
    STEAM = "boiler pressure"
    FIRE = "fire and priming"
    DERATING = "no derating"
    CHANNEL = "pull channel sound"
    WHEEL = "wheel agrees"
    WIND = "wind"
    RAIL = "rail"
    SPECIFIED = "specified at this speed"
    ACCELERATION = "acceleration"
    CREW = "not struck out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """One question asked of one stretch, with what was found and what is allowed."""

    kind: CriterionKind
    value: str
    """What was found, in words or with its unit."""
    limit: str
    """What is allowed."""
    passed: bool | None
    """``None`` when it could not be asked: nothing in the run tells."""
    reason: str = ""
    """Why it refuses, for a sentence after ``refused because``."""

    @property
    def refuses(self) -> bool:
        """It was asked and not passed, in whatever kind of boolean: numpy's ``False`` is not
        Python's."""
        return self.passed is not None and not self.passed


@dataclass(frozen=True, slots=True, kw_only=True)
class Admission:
    """All that was asked of one stretch."""

    criteria: tuple[Criterion, ...] = ()

    @property
    def admitted(self) -> bool:
        """No criterion refuses."""
        return not any(c.refuses for c in self.criteria)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it is refused, each reason once, in the order asked."""
        return tuple(
            dict.fromkeys(c.reason or c.kind.value for c in self.criteria if c.refuses)
        )
