"""ISO 376: what it asks of the calibration itself before any class is claimed.

Every clause is from memory; numbers that memory does not hold are said to be common practice.
The positions 0°, 180°, 360° that the standard is remembered to permit where 120° cannot be had
are not taken until it has been at hand.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.figures.class_standard import standard_conditions
from calibration.figures.condition import Condition
from calibration.figures.iso376 import Programme
from calibration.figures.reading_conditions import reading_conditions
from calibration.readings.load_series import LEVEL_TOLERANCE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["iso_conditions"]

MIN_FORCES: Final = 8
WIDEST_GAP: Final = 1.5
"""Largest distance of neighbouring forces, in even distances of eight forces; common practice."""
ROTATION_SLACK_DEG: Final = 10.0
"""How far the turn from one position to the next may be from even; common practice."""
WAIT_S: Final = 30.0
"""Before a reading, after its force is reached."""
REST_S: Final = 180.0
"""Unloaded between series."""
CLOCK_S: Final = 0.5
"""Times noted to the second are this much off."""
INTERVAL_SLACK: Final = 0.5
"""Share of the middle interval between forces by which one may differ; common practice."""
TEMPERATURE_C: Final = (18.0, 28.0)
TEMPERATURE_SPREAD_K: Final = 2.0
"""± 1 K."""
PRELOADS: Final = 3
PRELOAD_SHARE: Final = 0.99
"""Of the largest force, so that a preload counts as one to it; common practice."""
LONGEST_VALIDITY_MONTHS: Final = 26


def iso_conditions(
    loads: LoadSeries, series: Programme, readings: Readings, settings: BenchSettings
) -> list[Condition]:
    """Every condition that does not depend on the class, checked.

    ``readings`` are all that were taken: preloads and replaced readings as well.
    """
    checked = _Checked(loads, series, readings)
    return [
        checked.forces(),
        checked.rotation(),
        checked.preloads(),
        *checked.times(),
        checked.zeros(),
        *checked.temperatures(),
        *standard_conditions(settings, clause="ISO 376:2011, 7.4 and 8.3, from memory"),
        *reading_conditions(readings, loads.sense, clause="ISO 376:2011, 7.4, from memory"),
        _validity(settings),
    ]


def _validity(settings: BenchSettings) -> Condition:
    months = settings.valid_months
    return Condition.judged(
        "validity", f"{months} months", f"at most {LONGEST_VALIDITY_MONTHS} months",
        "ISO 376:2011, 8.3, from memory", held=months <= LONGEST_VALIDITY_MONTHS,
    )  # fmt: skip


class _Checked:
    def __init__(self, loads: LoadSeries, series: Programme, readings: Readings) -> None:
        self.loads, self.series, self.readings = loads, series, readings
        self.kinds = np.array(readings.kind)
        self.of_sense = readings.applied * loads.sense >= 0.0

    def rows(self, run: tuple[int, ...]) -> NDArray[np.intp]:
        """Readings of steps and zeros of a run, replaced ones too, by time where it is known."""
        r = self.readings
        mine = np.isin(r.series, run) & self.of_sense & np.isin(self.kinds, ("step", "zero"))
        rows = np.flatnonzero(mine)
        time = r.time_s[rows]
        return rows if np.any(np.isnan(time)) else rows[np.argsort(time, kind="stable")]

    def used(self, run: tuple[int, ...]) -> NDArray[np.intp]:
        rows = self.rows(run)
        return rows[~self.readings.superseded[rows]]

    def forces(self) -> Condition:
        kN = self.loads.readings.kN_per_unit
        force = np.abs(self.loads.levels) * kN
        even = (force[-1] - force[0]) / (MIN_FORCES - 1)
        widest = float(np.max(np.diff(force), initial=0.0))
        n = len(force)
        return Condition.judged(
            "forces",
            f"{n} forces, {force[0]:g} to {force[-1]:g} kN, at most {widest:g} kN apart",
            f"at least {MIN_FORCES}, spread evenly (no two neighbours more than"
            f" {WIDEST_GAP * even:.4g} kN apart: common practice), down to half of the largest",
            "ISO 376:2011, 7.4.2, from memory",
            held=n >= MIN_FORCES
            and widest <= WIDEST_GAP * even * (1.0 + 1e-9)
            and bool(force[0] <= 0.5 * force[-1]),
        )

    def rotation(self) -> Condition:
        places = sorted(self.series.positions_deg)
        turns = np.diff([*places, places[0] + 360.0])
        even = 360.0 / len(places)
        return Condition.judged(
            "rotation",
            "positions " + ", ".join(f"{p:g}°" for p in self.series.positions_deg),
            f"turned by {even:g}° each time (within {ROTATION_SLACK_DEG:g}°: common practice)",
            "ISO 376:2011, 7.4.2, from memory",
            held=bool(np.all(np.abs(turns - even) <= ROTATION_SLACK_DEG)),
        )

    def preloads(self) -> Condition:
        allowed = f"{PRELOADS} to the largest force before the first series, 1 after each turn"
        clause = "ISO 376:2011, 7.4.1, from memory"
        r = self.readings
        is_one = (self.kinds == "preload") & ~r.superseded
        if not np.any(is_one):
            return Condition.unknown(
                "preloads", "none is in the table", allowed, clause,
                "give each preload a row of kind preload",
            )  # fmt: skip
        full = is_one & (r.applied * self.loads.sense >= PRELOAD_SHARE * self.loads.largest)
        branches = (self.series.x1, self.series.x2, *self.series.rotated)
        spans = sorted(
            (int(np.min(rows)), int(np.max(rows)), branch.position_deg % 360.0)
            for branch, run in zip(branches, self.series.runs, strict=True)
            for rows in [self.used(run)]
        )
        counts, end, place = [], -1, math.nan
        for first, last, position in spans:
            if position != place:
                at = np.flatnonzero(full & (r.position_deg % 360.0 == position))
                counts.append(int(np.count_nonzero((at > end) & (at < first))))
            end, place = max(end, last), position
        turns = " and ".join(str(n) for n in counts[1:])
        held = counts[0] >= PRELOADS and all(n >= 1 for n in counts[1:])
        got = f"{counts[0]} before the first series, {turns} after the turns"
        return Condition.judged("preloads", got, allowed, clause, held=held)

    def times(self) -> list[Condition]:
        clause = "ISO 376:2011, 7.4.3, from memory"
        waits, spread, spans = [], [], []
        for run in self.series.runs:
            rows = self.rows(run)
            time, force = self.readings.time_s[rows], self.readings.applied[rows]
            if np.any(np.isnan(time)):
                return self.no_times(clause)
            # From the last force on the cell is unloaded.
            spans.append((float(time[0]), float(time[force != 0.0][-1])))
            waits.append(np.diff(time)[self.moved(force)])
            under = force != 0.0
            steps = np.diff(time[under])[self.moved(force[under])]
            middle = float(np.median(steps))
            spread.append(np.max(np.abs(steps - middle)) / middle if middle > 0.0 else math.inf)
        shortest, widest = float(np.min(np.concatenate(waits))), float(np.max(spread))
        spans.sort()
        rest = min(later[0] - earlier[1] for earlier, later in itertools.pairwise(spans))
        return [
            Condition.judged(
                "wait", f"shortest time from one force to the next {shortest:.3g} s",
                f"at least {WAIT_S:g} s", clause, held=shortest >= WAIT_S - CLOCK_S,
            ),
            Condition.judged(
                "intervals",
                f"up to {100.0 * widest:.0f} % off the middle one of their series",
                f"as even as possible (within {100.0 * INTERVAL_SLACK:.0f} %: common practice)",
                clause, held=widest <= INTERVAL_SLACK,
            ),
            Condition.judged(
                "rest", f"shortest time between two series {rest:.4g} s",
                f"at least {REST_S:g} s", clause, held=rest >= REST_S - CLOCK_S,
            ),
        ]  # fmt: skip

    def moved(self, force: NDArray[np.float64]) -> NDArray[np.bool_]:
        """(n − 1,) whether a force is another than the one before it, not the same again."""
        return np.asarray(np.abs(np.diff(force)) > LEVEL_TOLERANCE * self.loads.largest)

    def no_times(self, clause: str) -> list[Condition]:
        got, to_know = "times are not stated", "give every reading its time_s"
        return [
            Condition.unknown("wait", got, f"at least {WAIT_S:g} s", clause, to_know),
            Condition.unknown("intervals", got, "as even as possible", clause, to_know),
            Condition.unknown("rest", got, f"at least {REST_S:g} s", clause, to_know),
        ]

    def zeros(self) -> Condition:
        lacking = 0
        for run in self.series.runs:
            rows = self.used(run)
            loaded = np.flatnonzero(self.readings.applied[rows] != 0.0)
            lacking += int(loaded[0] == 0) + int(loaded[-1] == len(rows) - 1)
        allowed, clause = (
            "read before and after every series",
            "ISO 376:2011, 7.4.2, from memory",
        )
        if lacking:
            got = f"{lacking} of {2 * len(self.series.runs)} not read"
            to_know = "read the zero before and after every series"
            return Condition.unknown("zeros", got, allowed, clause, to_know)
        return Condition.judged("zeros", allowed, allowed, clause)

    def temperatures(self) -> list[Condition]:
        rows = np.concatenate([self.used(run) for run in self.series.runs])
        found = self.readings.temperature_C[rows]
        clause = "ISO 376:2011, 7.4.3, from memory"
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
