"""Conditions of any class on the readings as they were taken.

Measured and undoubted; after a wait, at a steady temperature, after preloads.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.doubts.doubt import DoubtKind
from calibration.doubts.doubtful_rows import doubtful_rows
from calibration.doubts.plain_rows import coverage_doubts
from calibration.figures.condition import Condition
from calibration.quantities.written import many
from calibration.readings.load_series import LEVEL_TOLERANCE
from calibration.readings.positions import same_position
from calibration.readings.reading_doubts import Doubt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = [
    "CLOCK_S",
    "moved",
    "preload_condition",
    "reading_conditions",
    "rows_of_series",
    "temperature_conditions",
    "wait_condition",
]

WAIT_S: Final = 30.0
"""Before a reading, after its force is reached; of both standards, from memory."""
CLOCK_S: Final = 0.5
"""Times noted to the second are this much off."""
TEMPERATURE_C: Final = (18.0, 28.0)
"""Of both standards, from memory."""
TEMPERATURE_SPREAD_K: Final = 2.0
"""± 1 K; of both standards, from memory."""
PRELOAD_SHARE: Final = 0.99
"""Of the largest force, so that a preload counts as one to it; from experience."""

_SHEET: Final = "in the bench sheet"


def reading_conditions(
    loads: LoadSeries, readings: Readings, settings: BenchSettings, *, clause: str
) -> list[Condition]:
    """Whether every force was measured, and no reading stands in spite of a doubt.

    A table of a guided session says so itself; of any other it must be stated. What the table
    itself speaks against and a person accepted stands in spite of a doubt, whatever is stated.
    ``readings`` are all that were taken.
    """
    used = readings.used & (readings.applied * loads.sense >= 0.0)
    stood = {doubt: int(np.count_nonzero(used & readings.doubted(doubt))) for doubt in Doubt}
    planned = stood.pop(Doubt.AS_PLANNED)
    kept = readings.doubts_kept
    accepted = _accepted(loads, readings, settings)
    return [
        _measured(planned, clause, stated=settings.forces_measured, kept=kept),
        _undoubted(stood, accepted, clause, stated=settings.readings_stood_still, kept=kept),
    ]


def _accepted(loads: LoadSeries, readings: Readings, settings: BenchSettings) -> int:
    """How many rows of the sense stand in spite of what the table says against them.

    A force that is missing beside a row is no doubt about its reading.
    """
    mine = ~readings.superseded & (readings.applied * loads.sense >= 0.0)
    accepted = set(readings.row[mine].tolist()) & set(settings.accepted_rows)
    if not accepted:
        return 0
    beside = {row for doubt in coverage_doubts(loads) for row in doubt.rows}
    against = {
        row
        for doubt in doubtful_rows(readings)
        if doubt.kind is not DoubtKind.COVERAGE
        for row in doubt.rows
    }
    return len(accepted - (beside - against))


def _measured(planned: int, clause: str, *, stated: bool | None, kept: bool) -> Condition:
    name = "applied force measured"
    allowed = "measured or realised by the standard in every reading"
    if planned:
        got = f"{many(planned, 'reading')} at the planned force, not measured"
        return Condition.judged(name, got, allowed, clause, held=False)
    if stated is not None:
        got = f"stated: {'' if stated else 'not '}in every reading"
        return Condition.judged(name, got, allowed, clause, held=stated)
    if kept:
        return Condition.judged(name, "in every reading", allowed, clause)
    got, to_know = "not stated", f"state forces_measured = true (or false) {_SHEET}"
    return Condition.unknown(name, got, allowed, clause, to_know)


def _undoubted(
    stood: Mapping[Doubt, int], accepted: int, clause: str, *, stated: bool | None, kept: bool
) -> Condition:
    name = "readings undoubted"
    allowed = "standing still, and none taken in spite of a doubt"
    told = [f"{many(n, 'reading')} {doubt}" for doubt, n in stood.items() if n]
    told += [f"{many(accepted, 'row')} accepted in spite of doubt"] if accepted else []
    words = ", ".join(told)
    if accepted or any(n and doubt.bars_class for doubt, n in stood.items()):
        return Condition.judged(name, words, allowed, clause, held=False)
    if stated is not None:
        said = "stated: all stood still" if stated else "stated: not all stood still"
        got = f"{words}; {said}" if words else said
        return Condition.judged(name, got, allowed, clause, held=stated)
    if kept and not words:
        got = "nothing stood against any"
        return Condition.judged(name, got, allowed, clause)
    to_know = f"state readings_stood_still = true (or false) {_SHEET}"
    return Condition.unknown(name, words or "not stated", allowed, clause, to_know)


def rows_of_series(readings: Readings, sense: int, series: Sequence[int]) -> NDArray[np.intp]:
    """Readings of steps and zeros of these series, replaced ones too, by time where known."""
    stepped = np.isin(np.array(readings.kind), ("step", "zero"))
    of_sense = readings.applied * sense >= 0.0
    rows = np.flatnonzero(np.isin(readings.series, series) & of_sense & stepped)
    time = readings.time_s[rows]
    return rows if np.any(np.isnan(time)) else rows[np.argsort(time, kind="stable")]


def moved(force: NDArray[np.float64], largest: float) -> NDArray[np.bool_]:
    """(n − 1,) whether a force is another than the one before it, not the same again."""
    return np.asarray(np.abs(np.diff(force)) > LEVEL_TOLERANCE * largest)


def wait_condition(
    readings: Readings, runs: Sequence[NDArray[np.intp]], largest: float, *, clause: str
) -> Condition:
    """Whether every reading of the runs was taken long enough after the force before it.

    ``runs`` are indices of readings in the order taken; not known where a time is missing or
    a run has nothing before its force.
    """
    allowed = f"at least {WAIT_S:g} s"
    shortest = math.inf
    for rows in runs:
        waits = np.diff(readings.time_s[rows])[moved(readings.applied[rows], largest)]
        known = len(waits) > 0 and not np.any(np.isnan(readings.time_s[rows]))
        shortest = min(shortest, float(np.min(waits))) if known else math.nan
        if not known:
            break
    if math.isnan(shortest):
        return Condition.unknown(
            "wait", "times are not stated", allowed, clause, "give every reading its time_s"
        )
    got = f"shortest time from one force to the next {shortest:.3g} s"
    return Condition.judged("wait", got, allowed, clause, held=shortest >= WAIT_S - CLOCK_S)


def temperature_conditions(found: NDArray[np.float64], *, clause: str) -> list[Condition]:
    """Range and steadiness of the temperatures (n,) of all readings, NaN where not stated."""
    low, high = TEMPERATURE_C
    between, steady = f"{low:g} to {high:g} °C", f"within ±{TEMPERATURE_SPREAD_K / 2:g} K"
    missing = int(np.count_nonzero(np.isnan(found)))
    if missing:
        got, to_know = (
            f"not stated of {missing} readings",
            "give every reading its temperature",
        )
        return [
            Condition.unknown("temperature", got, between, clause, to_know),
            Condition.unknown("temperature steady", got, steady, clause, to_know),
        ]
    least, most = float(np.min(found)), float(np.max(found))
    got = f"{least:g} to {most:g} °C"
    return [
        Condition.judged(
            "temperature", got, between, clause, held=low <= least and most <= high
        ),
        Condition.judged(
            "temperature steady", got, steady, clause,
            held=most - least <= TEMPERATURE_SPREAD_K + 1e-9,
        ),
    ]  # fmt: skip


def preload_condition(
    readings: Readings,
    spans: Sequence[tuple[int, int, float]],
    full: float,
    *,
    before: int,
    allowed: str,
    clause: str,
) -> Condition:
    """Whether preloads stand before the first run, and one after each turn of the cell.

    Parameters
    ----------
    spans : of each run its first and last reading, and its position, degrees from 0 to 360;
        NaN where not stated, which is one place
    full : the largest force, signed, in the readings' unit
    before : how many preloads the first run asks
    """
    is_one = (np.array(readings.kind) == "preload") & ~readings.superseded
    if not np.any(is_one):
        return Condition.unknown(
            "preloads", "none is in the table", allowed, clause,
            "give each preload a row of kind preload",
        )  # fmt: skip
    enough = is_one & (readings.applied * np.sign(full) >= PRELOAD_SHARE * abs(full))
    counts: list[int] = []
    ordered = sorted(spans)
    ends = itertools.accumulate((last for _, last, _ in ordered), max, initial=-1)
    place: float | None = None
    for end, (first, _, position) in zip(ends, ordered, strict=False):
        if place is None or not _same_place(position, place):
            turn = [_same_place(at, position) for at in readings.position_deg.tolist()]
            at = np.flatnonzero(enough & np.array(turn))
            counts.append(int(np.count_nonzero((at > end) & (at < first))))
        place = position
    held = counts[0] >= before and all(n >= 1 for n in counts[1:])
    turns = " and ".join(str(n) for n in counts[1:]) or "none"
    got = f"{counts[0]} before the first series, {turns} after the turns"
    return Condition.judged("preloads", got, allowed, clause, held=held)


def _same_place(one_deg: float, other_deg: float) -> bool:
    """Whether two runs were at one position; where none is stated, they were."""
    return same_position(one_deg, other_deg) or (math.isnan(one_deg) and math.isnan(other_deg))
