"""What looks odd in a whole table though no row of it can be blamed: said, no reason to refuse."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.readings.load_series import load_series, senses

if TYPE_CHECKING:
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["looks_odd"]

MANY: Final = 20
"""So many readings of forces read before do not all repeat to the count by chance ..."""
FINE: Final = 20_000
"""... where full scale holds so many steps (from experience, both)."""
BENCH_C: Final = (0.0, 45.0)
"""No bench at which anyone works is colder or warmer (from experience)."""
FROM_ROOM_K: Final = 5.0
"""By so much readings and room may differ (from experience)."""


def looks_odd(readings: Readings, room_C: float | None) -> list[str]:
    """In words; empty for a table like any other."""
    found = []
    if any(_copied(load_series(readings, sense)) for sense in senses(readings)):
        found.append("the readings repeat to the count: were they copied?")
    known = readings.temperature_C[readings.used & ~np.isnan(readings.temperature_C)]
    if not len(known):
        return found
    # Series taken cold or warm on purpose do not move the middle one.
    middle, mean = float(np.median(known)), float(np.mean(known))
    if not BENCH_C[0] <= middle <= BENCH_C[1]:
        found.append(f"by its readings the cell stood at {middle:.3g} °C: hardly a bench")
    if room_C is not None and abs(middle - room_C) > FROM_ROOM_K:
        found.append(
            f"room_temperature_C is stated as {room_C:g}, the readings were taken at"
            f" {middle:.3g} °C: the uncertainty counts from the readings' mean, {mean:.3g} °C"
        )
    return found


def _copied(loads: LoadSeries) -> bool:
    """Whether every reading of a force and direction read before repeats the first."""
    r = loads.readings
    loaded = r.pick((r.applied != 0.0) & ~r.held)
    step = r.resolution or 0.0
    if not step or loads.full_scale / step < FINE:
        return False
    cell = loads.level_of * 3 + loads.direction + 1
    _, first, place = np.unique(cell, return_index=True, return_inverse=True)
    again = len(cell) - len(first)
    return again >= MANY and bool(np.all(loaded.reading == loaded.reading[first[place]]))
