"""Doubts that need no curve: temperatures, positions, zeros, and forces that are missing."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.doubts.doubt import Doubt, DoubtKind, plain
from calibration.readings.positions import same_position
from calibration.statistics.median_scatter import normal_sd

if TYPE_CHECKING:
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["coverage_doubts", "position_doubts", "temperature_doubts", "zero_doubts"]

TEMPERATURE_JUMP_K: Final = 20.0
"""From one reading of a series to the next: no cell follows it (from experience)."""
LOWEST_SHARE: Final = 0.2
"""The lowest force, of the largest: below it the curve would rest on zero alone (ISO 376:2011, from
memory, asks for a tenth or a fiftieth; a fifth is what a heritage bench may reach)."""
LARGEST_GAP: Final = 0.4
"""Between two forces, of the largest (from experience)."""
ZERO_OF_FULL_SCALE: Final = 0.005
"""A zero nearer to the others than this share of full scale is drift, not a blunder."""
ZERO_DEVIATIONS: Final = 8.0


def temperature_doubts(readings: Readings) -> list[Doubt]:
    """Jumps of temperature within a series."""
    found = []
    known = np.flatnonzero(~np.isnan(readings.temperature_C) & readings.used)
    t = readings.temperature_C
    for a, b in itertools.pairwise(int(i) for i in known):
        if readings.series[a] == readings.series[b] and abs(t[b] - t[a]) > TEMPERATURE_JUMP_K:
            rows = (int(readings.row[a]), int(readings.row[b]))
            text = (
                f"rows {rows[0]} and {rows[1]}: temperature goes from {t[a]:g} to {t[b]:g} °C from"
                " one reading to the next"
            )
            found.append(Doubt(kind=DoubtKind.TEMPERATURE, rows=rows, text=text))
    return found


def position_doubts(readings: Readings) -> list[Doubt]:
    """Series that stand in more than one position: a series is one mounting."""
    found = []
    for s, name in enumerate(readings.series_names):
        here = np.flatnonzero(
            readings.used & (readings.series == s) & ~np.isnan(readings.position_deg)
        )
        if len(here) < 2:
            continue
        first = float(readings.position_deg[here[0]])
        at = readings.position_deg[here].tolist()
        other = here[[not same_position(first, position) for position in at]]
        if len(other):
            rows = tuple(readings.row[other].tolist())
            text = (
                f"row {rows[0]}: position {readings.position_deg[other[0]]:g}° in series {name},"
                f" which began at {first:g}°: a series is one mounting"
            )
            found.append(Doubt(kind=DoubtKind.POSITION, rows=rows, text=text))
    return found


def zero_doubts(loads: LoadSeries) -> list[Doubt]:
    """Zeros far from all others."""
    r = loads.readings
    here = np.flatnonzero((r.applied == 0.0) & ~r.held)
    if len(here) < 4:
        return []
    middle = float(np.median(r.reading[here]))
    away = r.reading[here] - middle
    limit = max(ZERO_DEVIATIONS * normal_sd(away), ZERO_OF_FULL_SCALE * loads.full_scale)
    return [
        Doubt(
            kind=DoubtKind.ZERO,
            rows=(int(r.row[i]),),
            text=f"row {r.row[i]}: zero reads {r.reading[i]:.9g}, the others {plain(middle)}:"
            f" {plain(float(r.reading[i]) - middle, sign='+')}"
            f" ({100.0 * (r.reading[i] - middle) / loads.full_scale:+.3g} % of full scale)",
            expected=middle,
            residual=float(r.reading[i]) - middle,
        )
        for i in here[np.abs(away) > limit]
    ]


def coverage_doubts(loads: LoadSeries) -> list[Doubt]:
    """The lowest force too high, or forces too far apart, for a curve from zero to the largest."""
    levels = np.abs(loads.levels)
    r, largest = loads.readings, loads.largest
    loaded = np.flatnonzero((r.applied != 0.0) & ~r.held)
    first = r.row[loaded[np.unique(loads.level_of, return_index=True)[1]]].tolist()
    unit, found = r.force_unit, []
    if levels[0] > LOWEST_SHARE * largest * (1.0 + 1e-9):
        text = (
            f"row {first[0]}: {plain(float(levels[0]))} {unit} is the lowest force,"
            f" {100.0 * levels[0] / largest:.0f} % of the largest: below it only the zero is known"
        )
        found.append(Doubt(kind=DoubtKind.COVERAGE, rows=(first[0],), text=text))
    for k in np.flatnonzero(np.diff(levels) > LARGEST_GAP * largest * (1.0 + 1e-9)):
        rows = (first[k], first[k + 1])
        share = 100.0 * (levels[k + 1] - levels[k]) / largest
        text = (
            f"rows {rows[0]} and {rows[1]}: no force between {plain(float(levels[k]))} and"
            f" {plain(float(levels[k + 1]))} {unit}, {share:.0f} % of the range"
        )
        found.append(Doubt(kind=DoubtKind.COVERAGE, rows=rows, text=text))
    return found
