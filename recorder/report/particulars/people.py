"""Who rode the car."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from recorder.marks.mark import Mark
    from recorder.sheets import TripSheet

__all__ = ["crew_words"]


def crew_words(trip: TripSheet | None, marks: Iterable[Mark]) -> str:
    """The crew by the trip sheet, else that it is not stated and who keyed."""
    if trip is not None and trip.crew:
        return ", ".join(trip.crew)
    keyed = dict.fromkeys(m.by for m in marks if m.by)
    if trip is not None and trip.operator:
        keyed = {trip.operator: None, **keyed}
    by = f"; marks were keyed by {', '.join(keyed)}" if keyed else ""
    return f"not stated ([trip] crew){by}"
