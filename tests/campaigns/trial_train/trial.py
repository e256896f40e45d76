"""One whole trial: drawn, ridden, read off, keyed and written as a crew would hand it in."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from recorder.exchange.table_import import ImportedTable, import_table
from recorder.marks.mark import Mark
from tests.campaigns.trial_train.driver import Driver
from tests.campaigns.trial_train.instruments import Readings, Stated, read
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
from tests.campaigns.trial_train.scenarios import SCENARIOS, Scenario

__all__ = ["MadeRun", "make_run", "make_runs"]

START_M = 1500.0
STATED = Stated()


@dataclass(frozen=True)
class MadeRun:
    """What is handed in, and the truth that is kept back."""

    path: Path
    trip: Path
    scenario: Scenario
    condition: Condition
    ride: Ride
    readings: Readings
    line: Line
    curve: Curve
    train: Train


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
    key = zlib.crc32(scenario.encode())
    fixed = np.random.default_rng([seed, key])
    steam = bool(fixed.random() < 0.3)
    curve = draw_curve(fixed, steam=steam)
    train = draw_train(fixed, curve, wrong_mass=chosen.wrong_mass, steam=steam)
    rng = np.random.default_rng([seed, key, part, 7])
    minutes = rng.uniform(25.0, 60.0)
    line = draw_line(rng, length_m=2000.0 * minutes)

    def ridden(able: Curve) -> tuple[Driver, Ride]:
        hand = np.random.default_rng([seed, key, part, 8])
        driver = Driver(hand, chosen.habits, minutes * 60.0, steam=steam)
        return driver, ride(line, able, train, driver, whole=not chosen.route, start_m=START_M)

    driver, done = ridden(curve)
    if condition is not Condition.SPEC:
        curve = pulling(curve, condition, _most_ridden_km_h(done))
        driver, done = ridden(curve)
    readings = read(rng, done, line, train, STATED, chosen.faults)
    made = MadeRun(
        path=folder / f"run-{part + 1}.h5",
        trip=folder / f"run-{part + 1}.toml",
        scenario=chosen,
        condition=condition,
        ride=done,
        readings=readings,
        line=line,
        curve=curve,
        train=train,
    )
    marks = keyed(rng, chosen.crew, driver.events, done, posts=chosen.route)
    _write(made, _conditions(chosen, condition, marks), steam=steam)
    return made


def _most_ridden_km_h(done: Ride) -> float:
    """Lower end of the band of 10 km/h, 20 to 60, in which most was ridden at full throttle."""
    full = (done.share > 0.99) & (done.speed_m_s > 0.0)
    count, edges = np.histogram(3.6 * done.speed_m_s[full], bins=[20.0, 30.0, 40.0, 50.0, 60.0])
    return float(edges[int(np.argmax(count))])


def _write(made: MadeRun, marks: Sequence[Mark], *, steam: bool) -> None:
    """Route, trip sheet and run file."""
    chosen, readings = made.scenario, made.readings
    route = made.path.with_suffix(".csv")
    route.write_text(made.line.csv(limits=chosen.limits), encoding="utf-8")
    sheet = _sheet(chosen, made.curve, made.train, route.name, steam=steam)
    made.trip.write_text(sheet, encoding="utf-8")
    columns = dict(readings.columns)
    if chosen.route:
        del columns["grade"], columns["curvature"]
    wheel = (None, STATED.wheel_rel)
    import_table(
        ImportedTable(time_s=readings.time_s, columns=columns, warnings=()),
        made.path,
        software="drawn trial",
        trip_sheet=sheet,
        marks=marks,
        uncertainties={
            "pull": (STATED.pull_kN, STATED.pull_rel), "speed": wheel, "distance": wheel,
        },
    )  # fmt: skip


def _conditions(chosen: Scenario, condition: Condition, marks: Sequence[Mark]) -> list[Mark]:
    if not chosen.dry_and_wet:
        return list(marks)
    weather = "rain" if condition is Condition.WET else "dry"
    return [Mark(mark_id=f"{1:032x}", kind="weather", t_s=1.0, value=weather), *marks]


def _sheet(chosen: Scenario, curve: Curve, train: Train, route: str, *, steam: bool) -> str:
    a, b, c = curve.own_resistance
    rows = [
        '[trip]\nname = "Drawn trial"\ndate = 2026-05-04',
        '[locomotive]\nname = "No. 7"',
        f'kind = "{"steam" if steam else "diesel"}"',
        f"mass_t = {train.own_t:.3f}\nlength_m = {train.own_m}",
        f"rotary_allowance = {train.own_rotary}",
        f"resistance = [{a:.4f}, {b:.5f}, {c:.6f}]",
        f"[test_car]\nmass_t = {train.car_t}\nlength_m = 20.0\naxles = 4",
        f"rotary_allowance = {train.load_rotary}",
        f"[consist]\nmass_t = {train.load_t - train.car_t:.3f}",
        f"length_m = {train.load_m - 20.0:.2f}\naxles = {4 * int(train.load_t / 60)}",
        f"rotary_allowance = {train.load_rotary}",
    ]
    if chosen.route:
        rows += [f'[route]\nfile = "{route}"\ndirection = "increasing"']
        rows += [f"start_chainage_m = {START_M}"]
    rows += ['[specification]\nname = "promise"']
    for v, pull in zip(curve.promised_m_s, curve.promised_kN, strict=True):
        rows += [f"[[specification.points]]\nspeed_km_h = {3.6 * v:.6f}\npull_kN = {pull:.3f}"]
    return "\n".join(rows) + "\n"
