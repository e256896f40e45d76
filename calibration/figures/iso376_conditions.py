"""ISO 376: what it asks of the calibration itself before any class is claimed.

Every clause is from memory; numbers that memory does not hold are said to be from experience.
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
from calibration.figures.reading_conditions import (
    CLOCK_S,
    moved,
    preload_condition,
    reading_conditions,
    rows_of_series,
    temperature_conditions,
    wait_condition,
)
from calibration.readings.positions import SLACK_DEG

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["iso_conditions"]

MIN_FORCES: Final = 8
WIDEST_GAP: Final = 1.5
"""Largest distance of neighbouring forces, in even distances of eight forces; from experience."""
REST_S: Final = 180.0
"""Unloaded between series."""
INTERVAL_SLACK: Final = 0.5
"""Share of the middle interval between forces by which one may differ; from experience."""
PRELOADS: Final = 3
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
        *reading_conditions(loads, readings, settings, clause="ISO 376:2011, 7.4, from memory"),
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

    def rows(self, run: tuple[int, ...]) -> NDArray[np.intp]:
        return rows_of_series(self.readings, self.loads.sense, run)

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
            f" {WIDEST_GAP * even:.4g} kN apart: from experience), down to half of the largest",
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
            f"turned by {even:g}° each time (within {SLACK_DEG:g}°: from experience)",
            "ISO 376:2011, 7.4.2, from memory",
            held=bool(np.all(np.abs(turns - even) <= SLACK_DEG)),
        )

    def preloads(self) -> Condition:
        allowed = f"{PRELOADS} to the largest force before the first series, 1 after each turn"
        branches = (self.series.x1, self.series.x2, *self.series.rotated)
        spans = [
            (int(np.min(rows)), int(np.max(rows)), branch.position_deg % 360.0)
            for branch, run in zip(branches, self.series.runs, strict=True)
            for rows in [self.used(run)]
        ]
        return preload_condition(
            self.readings, spans, float(self.loads.levels[-1]), before=PRELOADS,
            allowed=allowed, clause="ISO 376:2011, 7.4.1, from memory",
        )  # fmt: skip

    def times(self) -> list[Condition]:
        clause = "ISO 376:2011, 7.4.3, from memory"
        runs = [self.rows(run) for run in self.series.runs]
        largest = self.loads.largest
        waited = wait_condition(self.readings, runs, largest, clause=clause)
        spread, spans = [], []
        for rows in runs:
            time, force = self.readings.time_s[rows], self.readings.applied[rows]
            if np.any(np.isnan(time)):
                return [waited, *self.no_times(clause)]
            # From the last force on the cell is unloaded.
            spans.append((float(time[0]), float(time[force != 0.0][-1])))
            under = force != 0.0
            steps = np.diff(time[under])[moved(force[under], largest)]
            middle = float(np.median(steps))
            spread.append(np.max(np.abs(steps - middle)) / middle if middle > 0.0 else math.inf)
        widest = float(np.max(spread))
        spans.sort()
        rest = min(later[0] - earlier[1] for earlier, later in itertools.pairwise(spans))
        return [
            waited,
            Condition.judged(
                "intervals",
                f"up to {100.0 * widest:.0f} % off the middle one of their series",
                f"as even as possible (within {100.0 * INTERVAL_SLACK:.0f} %: from experience)",
                clause, held=widest <= INTERVAL_SLACK,
            ),
            Condition.judged(
                "rest", f"shortest time between two series {rest:.4g} s",
                f"at least {REST_S:g} s", clause, held=rest >= REST_S - CLOCK_S,
            ),
        ]  # fmt: skip

    def no_times(self, clause: str) -> list[Condition]:
        got, to_know = "times are not stated", "give every reading its time_s"
        return [
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
        return temperature_conditions(found, clause="ISO 376:2011, 7.4.3, from memory")
