"""The shunt check: a resistor across a bridge arm must deflect the cell as at the bench."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Self

from calibration.field.checks import FieldCheck
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.event_numbers import known, number

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["ShuntCheck", "ShuntStep", "shunt_checks_of"]


class ShuntStep(StrEnum):
    """The two readings of a shunt check, in order."""

    OPEN = "open"
    """Without the shunt."""
    SHUNTED = "shunted"
    """With it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShuntCheck:
    """One step of a shunt check; the second has the verdict."""

    channel: str
    t_s: float
    """Run time of the middle of this step's reading."""
    step: ShuntStep
    open_counts: float
    """Mean without the shunt; NaN when not known."""
    shunted_counts: float = math.nan
    """Mean with it; NaN at the first step."""
    u_counts: float = math.nan
    """Standard uncertainty of the deflection, or of the open reading at the first step."""
    open_s: float = math.nan
    """Run time of the middle of the open reading."""
    seconds: float = math.nan
    """How long each reading was."""
    reason: str = ""
    """Why the readings cannot be gone by; empty when they can."""
    check: FieldCheck | None = None
    """Against the certificate's value; None at the first step."""

    @property
    def passed(self) -> bool | None:
        """None at the first step, and when the certificate states no value to compare with."""
        if self.step is ShuntStep.OPEN or self.check is None:
            return None
        return False if self.reason else self.check.passed

    @property
    def deflection_counts(self) -> float:
        """Counts with the shunt less counts without."""
        return self.shunted_counts - self.open_counts

    @property
    def text(self) -> str:
        """One line for the crew."""
        doubt = f"; SHOWS NOTHING, {self.reason}" if self.reason else ""
        if self.step is ShuntStep.OPEN:
            return f"{self.channel}: without the shunt {self.open_counts:.1f} counts{doubt}"
        words = f"the shunt deflects it by {self.deflection_counts:.1f} counts"
        if self.check is not None:
            words = self.check.text
        return f"{self.channel}: {words}{doubt}"

    def to_event(self) -> Event:
        """The event it is kept as; numbers that are not known are null."""
        data: dict[str, Any] = {
            "channel": self.channel,
            "step": str(self.step),
            "open_counts": known(self.open_counts),
            "shunted_counts": known(self.shunted_counts),
            "u_counts": known(self.u_counts),
            "open_s": known(self.open_s),
            "seconds": known(self.seconds),
            "reason": self.reason,
            "passed": self.passed,
            "text": self.text,
        }
        if self.check is not None:
            data["check"] = self.check.to_document()
        return Event(kind=EventKind.SHUNT_CHECK, t_s=self.t_s, data=data)

    @classmethod
    def from_event(cls, event: Event) -> Self:
        """The step an event keeps, of this version or an older one; never raises."""
        data = event.data
        shunted = data.get("step") == ShuntStep.SHUNTED
        # The first version kept the open reading's mean under a name of its own.
        opened = data.get("open_counts", data.get("counts"))
        return cls(
            channel=str(data.get("channel", "")),
            t_s=event.t_s,
            step=ShuntStep.SHUNTED if shunted else ShuntStep.OPEN,
            open_counts=number(opened),
            shunted_counts=number(data.get("shunted_counts")),
            u_counts=number(data.get("u_counts")),
            open_s=number(data.get("open_s")),
            seconds=number(data.get("seconds")),
            reason=str(data.get("reason", "")),
            check=FieldCheck.from_document(data.get("check")),
        )


def shunt_checks_of(events: Iterable[Event]) -> list[ShuntCheck]:
    """Every step of every shunt check among the events of a run, in the order given."""
    return [
        ShuntCheck.from_event(event) for event in events if event.kind == EventKind.SHUNT_CHECK
    ]
