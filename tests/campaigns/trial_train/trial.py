"""One whole trial: drawn, ridden, read off, keyed and written as a crew would hand it in."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from recorder.marks.mark import Mark
from tests.campaigns.trial_train.driver import Driver
from tests.campaigns.trial_train.instruments import Readings, read, receive
from tests.campaigns.trial_train.line import Line, draw_line
from tests.campaigns.trial_train.locomotive import (
    Condition,
    Curve,
    Train,
    draw_curve,
    draw_train,
    pulling,
)
from tests.campaigns.trial_train.marks import keyed
from tests.campaigns.trial_train.ride import Ride, ride
from tests.campaigns.trial_train.run_files import START_M, trip_sheet, write_run_file
from tests.campaigns.trial_train.scenarios import SCENARIOS, Scenario

__all__ = ["MadeRun", "make_run", "make_runs"]


@dataclass(frozen=True)
class MadeRun:
    """What is handed in, and the truth that is kept back."""

    path: Path
    scenario: Scenario
    condition: Condition
    ride: Ride
    readings: Readings
    line: Line
    curve: Curve
    train: Train

    @property
    def trip(self) -> Path:
        """The trip sheet, beside the run."""
        return self.path.with_suffix(".toml")


def make_runs(folder: Path, scenario: str, seed: int, condition: Condition) -> list[MadeRun]:
    """All runs of one trial: one, or the six of a campaign."""
    chosen = SCENARIOS[scenario]
    if not chosen.dry_and_wet:
        return [make_run(folder, scenario, seed, condition)]
    return [
        make_run(folder, scenario, seed, Condition.WET if i in {2, 5} else condition, part=i)
        for i in range(6)
    ]


def make_run(
    folder: Path, scenario: str, seed: int, condition: Condition, *, part: int = 0
) -> MadeRun:
    """One run file with its trip sheet and route in a folder; ``part`` of a campaign.

    The same seed draws the same locomotive and train in every part of a campaign.
    """
    chosen = SCENARIOS[scenario]
    # All runs of a campaign are ridden with one train; other trials share nothing drawn.
    key = zlib.crc32((scenario if chosen.dry_and_wet else scenario + condition).encode())
    fixed = np.random.default_rng([seed, key])
    steam = bool(fixed.random() < 0.3)
    curve = draw_curve(fixed, steam=steam)
    train = draw_train(fixed, curve, chosen.sure, wrong_mass=chosen.wrong_mass, steam=steam)
    rng = np.random.default_rng([seed, key, part, 7])
    minutes = rng.uniform(25.0, 60.0)
    line = draw_line(rng, length_m=2000.0 * minutes, sure=chosen.sure)

    def ridden(able: Curve) -> tuple[Driver, Ride]:
        hand = np.random.default_rng([seed, key, part, 8])
        driver = Driver(hand, chosen.habits, minutes * 60.0, steam=steam)
        return driver, ride(line, able, train, driver, whole=not chosen.route, start_m=START_M)

    driver, done = ridden(curve)
    if condition is not Condition.SPEC:
        curve = pulling(curve, condition, _most_ridden_km_h(done))
        driver, done = ridden(curve)
    readings = read(rng, done, line, train, chosen.stated, chosen.faults)
    if chosen.receiver:
        readings = replace(readings, fixes=receive(rng, done))
    marks = keyed(rng, chosen.crew, driver.events, done, posts=chosen.route)
    path = folder / f"run-{part + 1}.h5"
    sheet = trip_sheet(chosen, curve, train, path, steam=steam)
    path.with_suffix(".csv").write_text(line.csv(limits=chosen.limits), encoding="utf-8")
    path.with_suffix(".toml").write_text(sheet, encoding="utf-8")
    write_run_file(path, chosen, readings, _conditions(chosen, condition, marks), sheet)
    return MadeRun(path, chosen, condition, done, readings, line, curve, train)


def _most_ridden_km_h(done: Ride) -> float:
    """Lower end of the band of 10 km/h, 20 to 60, in which most was ridden at full throttle."""
    full = (done.share > 0.99) & (done.speed_m_s > 0.0)
    count, edges = np.histogram(3.6 * done.speed_m_s[full], bins=[20.0, 30.0, 40.0, 50.0, 60.0])
    return float(edges[int(np.argmax(count))])


def _conditions(chosen: Scenario, condition: Condition, marks: Sequence[Mark]) -> list[Mark]:
    if not chosen.dry_and_wet:
        return list(marks)
    weather = "rain" if condition is Condition.WET else "dry"
    return [Mark(mark_id=f"{1:032x}", kind="weather", t_s=1.0, value=weather), *marks]
