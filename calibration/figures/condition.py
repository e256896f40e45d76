"""A condition of a class: what a standard asks of the calibration itself, beside its errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, Self

__all__ = ["Condition", "State", "obstacle"]


class State(StrEnum):
    """What is known of a condition."""

    HELD = "held"
    NOT_HELD = "not held"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One condition, checked."""

    name: str
    state: State
    got: str
    allowed: str
    clause: str
    """Where the standard asks it, and whether that was read or is from memory."""
    to_know: str = ""
    """What would make it known; empty where it is known."""

    @classmethod
    def judged(
        cls, name: str, got: str, allowed: str, clause: str, *, held: bool = True
    ) -> Self:
        """A condition that is known: held or not."""
        state = State.HELD if held else State.NOT_HELD
        return cls(name=name, state=state, got=got, allowed=allowed, clause=clause)

    @classmethod
    def unknown(cls, name: str, got: str, allowed: str, clause: str, to_know: str) -> Self:
        """A condition that cannot be told, and what would tell it."""
        return cls(
            name=name, state=State.NOT_KNOWN, got=got, allowed=allowed, clause=clause,
            to_know=to_know,
        )  # fmt: skip

    def to_document(self) -> dict[str, Any]:
        """Plain JSON."""
        return {**asdict(self), "state": str(self.state)}


def obstacle(conditions: Sequence[Condition]) -> str:
    """Why no class can be claimed, in words; empty where every condition is held."""
    broken = [c for c in conditions if c.state is State.NOT_HELD]
    unknown = [c for c in conditions if c.state is State.NOT_KNOWN]
    parts = [f"{c.name}: {c.got}; allowed: {c.allowed}" for c in broken]
    asked = [f"{c.name}: {c.got}; {c.to_know}" for c in unknown]
    if broken:
        return "no class: " + "; ".join(parts + asked)
    return "not assessed: " + "; ".join(asked) if asked else ""
