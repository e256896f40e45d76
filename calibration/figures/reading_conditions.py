"""Conditions of any class on the readings as they were taken: measured, and undoubted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.figures.condition import Condition
from calibration.quantities.written import many
from calibration.readings.reading_doubts import Doubt

if TYPE_CHECKING:
    from calibration.readings.readings import Readings

__all__ = ["reading_conditions"]

_AGAINST: Final = (
    Doubt.UNSTABLE,
    Doubt.UNMOVED,
    Doubt.OTHER_FORCE,
    Doubt.OFF_STEP,
    Doubt.OUT_OF_ORDER,
    Doubt.SHORT_WAIT,
    Doubt.STANDARD_NOT_VALID,
)


def reading_conditions(readings: Readings, sense: int, *, clause: str) -> list[Condition]:
    """Whether every force was measured, and no reading was taken in spite of a doubt.

    Empty where a table does not say how its readings were taken.
    """
    if not any(readings.doubts):
        return []
    used = readings.used & (readings.applied * sense >= 0.0)
    planned = int(np.count_nonzero(used & readings.doubted(Doubt.AS_PLANNED)))
    found = [
        Condition.judged(
            "applied force measured",
            f"{many(planned, 'reading')} at the planned force, not measured"
            if planned
            else "in every reading",
            "measured or realised by the standard in every reading",
            clause,
            held=not planned,
        )
    ]
    doubted = {
        str(doubt): int(np.count_nonzero(used & readings.doubted(doubt))) for doubt in _AGAINST
    }
    words = ", ".join(f"{many(n, 'reading')} {doubt}" for doubt, n in doubted.items() if n)
    got = words or "nothing stood against any"
    allowed = "none taken in spite of a doubt"
    found.append(Condition.judged("readings", got, allowed, clause, held=not words))
    return found
