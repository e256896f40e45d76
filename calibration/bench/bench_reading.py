"""One reading of a bench session as it was taken, with all that was known of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from typing import Any, Self

from calibration.readings.reading_doubts import Doubt

__all__ = ["BenchError", "DoubtedReadingError", "TakenReading"]


class BenchError(ValueError):
    """A bench session that cannot go on as asked; one line."""


class DoubtedReadingError(BenchError):
    """A reading held back; it can be taken again, or accepted with a reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenReading:
    """One reading as taken; never changed."""

    number: int
    """From 1 in the order taken."""
    step: int
    """Number of the plan's step."""
    applied_kN: float
    applied_by: str
    """``"typed"``, ``"plan"`` (nominal force), ``"unloaded"``, or the reference cell's
    certificate."""
    applied_sd_kN: float | None
    """Of the reference cell's force while it was gathered; None where it was not measured."""
    mean: float
    """Counts."""
    sd: float
    n: int
    seconds: float
    stable: bool
    stability: str
    """The verdict in words when it was taken."""
    temperature_C: float | None
    utc: str
    """ISO 8601."""
    time_s: float
    """Seconds since the session began."""
    repeat_of: int | None
    """Number of the reading it takes the place of."""
    reason: str
    """Why it was repeated."""
    low: float | None = None
    """Lowest single count; None where it was not kept, or read by eye."""
    high: float | None = None
    waited_s: float | None = None
    """From the force reached, as the person said, to the first count; None: by eye."""
    reference_counts: float | None = None
    """Mean counts of the reference cell, and what was taken for its zero."""
    reference_zero_counts: float | None = None
    doubts: tuple[Doubt, ...] = ()
    """What stood against it."""
    findings: tuple[str, ...] = ()
    """The same in words, with numbers; one for each doubt."""
    accepted_because: str = ""
    """Why it was taken all the same."""

    @property
    def doubts_kept(self) -> bool:
        """Whether what stood against it was kept: of an older session's reading it was not."""
        return self.waited_s is not None or Doubt.BY_EYE in self.doubts

    def accepted(self, because: str) -> Self:
        """The same, taken for a reason although something stands against it."""
        reasons = dict.fromkeys(r for r in (self.accepted_because, because) if r)
        return replace(self, accepted_because="; ".join(reasons))

    def to_document(self) -> dict[str, Any]:
        """Plain JSON."""
        return asdict(self)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """The inverse of ``to_document``; raises ``ValueError`` or ``TypeError``."""
        given = dict(document)
        for item in fields(cls):
            if item.name in given and not _fits(given[item.name], str(item.type)):
                msg = f"{item.name} of a reading is {given[item.name]!r}"
                raise ValueError(msg)
        datetime.fromisoformat(given["utc"])
        given["doubts"] = tuple(Doubt(word) for word in given.get("doubts", ()))
        given["findings"] = tuple(given.get("findings", ()))
        return cls(**given)


def _fits(value: object, declared: str) -> bool:
    if value is None:
        return "None" in declared
    if declared.startswith("tuple"):
        return isinstance(value, list | tuple) and all(isinstance(v, str) for v in value)
    if declared.startswith("str"):
        return isinstance(value, str)
    if declared.startswith("bool"):
        return isinstance(value, bool)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return isinstance(value, int) if declared.startswith("int") else math.isfinite(value)
