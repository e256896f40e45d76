"""Stops as drivers make them, keyed as people key: stated intervals hold what was braked."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pytest

from recorder.analysis.dynamics.stops_and_starts import StartTest, find_stops, starting_effort
from recorder.analysis.series.wheel_jumps import slipped_share
from recorder.analysis.stretches.handling import brake_on
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.run_basis import RunBasis
from tests.recorder.analysis.drawn_runs import (
    INSTRUMENTS,
    binomial_band,
    drawn,
    drawn_run,
    mark,
)

FINE_S = 0.01
STEP_S = 0.5
STOPS = 400
NOISE_M_S = 0.01
BRAKING_M_S3 = 0.06
"""How fast a long train's brake takes hold."""
RISE_S = 20.0
"""In which a train runs from one slope on to the next."""


@dataclass(frozen=True)
class Stopped:
    """One stop as it was read, and as it was."""

    run: RunBasis
    speed_m_s: float
    metres: float
    seconds: float


@dataclass(frozen=True)
class Slide:
    """A wheel that, from a speed on and for some time, shows but a share of it."""

    from_m_s: float
    shown: float = 0.0
    seconds: float = np.inf


def slid(speed: np.ndarray, t: np.ndarray, brake_s: float, slide: Slide) -> np.ndarray:
    """What the wheel shows (n,)."""
    since = t[np.flatnonzero((t > brake_s) & (speed <= slide.from_m_s))[0]]
    inside = (t >= since) & (t < since + slide.seconds)
    return np.where(inside, slide.shown * speed, speed)


def stopped(
    rng: np.random.Generator, slide: Slide | None = None, *, pulled_m_s2: float = 0.0
) -> Stopped:
    """Coasting over changing slopes, braked at some instant of no clock, keyed late.

    ``pulled_m_s2``: a throttle held the speed against as much, and was closed just before.
    """
    brake_s = rng.uniform(60.0, 70.0)
    t = np.arange(0.0, 240.0, FINE_S)
    slopes = rng.uniform(-0.01, 0.01, int(t[-1] / RISE_S) + 2)
    free = -0.03 - 9.8 * np.interp(t / RISE_S, np.arange(len(slopes)), slopes)
    if pulled_m_s2:
        closed_s = brake_s - rng.uniform(0.5, 3.0)
        free = free + pulled_m_s2 * (1.0 - np.clip((t - closed_s) / 2.0, 0.0, 1.0))
    on = np.clip((t - brake_s) * BRAKING_M_S3, 0.0, rng.uniform(0.3, 0.6))
    speed = rng.uniform(10.0, 25.0) + np.cumsum(free - on) * FINE_S
    rest = int(np.flatnonzero((t > brake_s) & (speed <= 0.0))[0])
    speed[rest:] = 0.0
    first = int(np.searchsorted(t, brake_s))
    true = Stopped(
        drawn_run(drawn(np.ones(4), np.ones(4))),
        float(speed[first]),
        float(speed[first:rest].sum() * FINE_S),
        float(t[rest] - brake_s),
    )
    wheel = 1.0 + INSTRUMENTS.wheel_rel_u * rng.standard_normal()
    shown = speed if slide is None else slid(speed, t, brake_s, slide)
    bins = shown.reshape(-1, round(STEP_S / FINE_S)).mean(axis=1)
    read = bins * wheel + np.where(bins > 0.0, NOISE_M_S * rng.standard_normal(len(bins)), 0.0)
    keyed = brake_s + rng.uniform(0.3, 1.0) + 0.2 * rng.standard_normal()
    read = np.maximum(read, 0.0)
    slip = slipped_share(read, STEP_S)
    series = drawn(read, np.zeros(len(read)), step_s=STEP_S, slip=slip)
    run = drawn_run(series, mark("brake", keyed, "on"))
    return Stopped(run, true.speed_m_s, true.metres, true.seconds)


@pytest.mark.slow
def test_intervals_of_a_stop_hold_what_was_braked() -> None:
    held: Counter[str] = Counter()
    off = []
    for seed in range(STOPS):
        made = stopped(np.random.default_rng([seed, 11]))
        (stop,), _ = find_stops(made.run, brake_on(made.run.series, made.run.marks))
        held["speed"] += abs(stop.speed.value - made.speed_m_s) <= stop.speed.expanded
        held["distance"] += abs(stop.distance.value - made.metres) <= stop.distance.expanded
        held["duration"] += abs(stop.duration.value - made.seconds) <= stop.duration.expanded
        mean = made.speed_m_s**2 / (2.0 * made.metres)
        held["retardation"] += abs(stop.retardation.value - mean) <= stop.retardation.expanded
        off.append((stop.speed.value - made.speed_m_s) / stop.speed.u)
    low, high = binomial_band(STOPS)
    assert all(low <= count <= high for count in held.values()), (held, low, high)
    # Four standard deviations of a mean: where a brake takes hold is not read as the speed.
    assert abs(float(np.mean(off))) < 4.0 / STOPS**0.5


@pytest.mark.slow
def test_a_throttle_closed_just_before_the_brake_does_not_make_the_speed_too_sure() -> None:
    held = 0
    for seed in range(STOPS):
        made = stopped(np.random.default_rng([seed, 17]), pulled_m_s2=0.08)
        (stop,), _ = find_stops(made.run, brake_on(made.run.series, made.run.marks))
        held += abs(stop.speed.value - made.speed_m_s) <= stop.speed.expanded
    assert held >= 0.85 * STOPS, held


def test_without_the_seconds_before_the_speed_at_the_brake_is_less_sure() -> None:
    made = stopped(np.random.default_rng([1, 12]))
    series, marks = made.run.series, made.run.marks
    lost = series.speed_m_s.copy()
    lost[series.t_s < marks[0].t_s - 1.2] = np.nan
    holed = drawn_run(drawn(lost, series.pull_kN, step_s=STEP_S), *marks)
    (whole,), _ = find_stops(made.run, brake_on(series, marks))
    (part,), _ = find_stops(holed, brake_on(series, marks))
    assert abs(part.speed.value - made.speed_m_s) <= part.speed.expanded
    assert part.speed.u > whole.speed.u


LOCKS = [
    Slide(6.0),
    Slide(6.0, seconds=5.0),
    Slide(6.0, seconds=2.0),
    Slide(6.0, seconds=1.0),
    Slide(3.0),
    Slide(1.5),
]
SLIDES = [
    Slide(9.0, 0.8),
    Slide(9.0, 0.8, 5.0),
    Slide(9.0, 0.5, 1.0),
    Slide(6.0, 0.4),
    Slide(9.0, 0.98),
    Slide(9.5, 0.7),
]


@pytest.mark.parametrize("lock", LOCKS)
def test_a_wheel_that_locked_makes_no_stop_test_and_why_is_told(lock: Slide) -> None:
    for seed in range(25):
        made = stopped(np.random.default_rng([seed, 13]), lock)
        stops, (lost,) = find_stops(made.run, brake_on(made.run.series, made.run.marks))
        assert stops == []
        assert lost.why.startswith("the measuring wheel locked at about ")
        said = float(lost.why.removesuffix(" m/s").rpartition(" ")[2])
        assert said == pytest.approx(lock.from_m_s, abs=1.0)


@pytest.mark.slow
@pytest.mark.parametrize("slide", SLIDES)
def test_of_a_wheel_that_slid_what_is_stated_holds(slide: Slide) -> None:
    held, stated = 0, 0
    for seed in range(100):
        made = stopped(np.random.default_rng([seed, 14]), slide)
        stops, lost = find_stops(made.run, brake_on(made.run.series, made.run.marks))
        assert len(stops) + len(lost) == 1
        assert all("slid from" in s.why and "may be missing" in s.why for s in lost)
        for stop in stops:
            stated += 1
            held += abs(stop.distance.value - made.metres) <= stop.distance.expanded
    assert held >= binomial_band(stated)[0], (held, stated)


def test_a_brake_is_on_while_a_locked_wheel_shows_rest() -> None:
    made = stopped(np.random.default_rng([1, 13]), Slide(9.0, seconds=5.0))
    series = made.run.series
    on = brake_on(series, made.run.marks)
    again = np.flatnonzero(series.slipped == 1.0)[-1] + 4
    assert series.speed_m_s[again] > 1.0
    assert on[again]


@pytest.mark.slow
def test_two_stops_share_the_wheel_and_nothing_of_their_own() -> None:
    """In one run, and at the same second of two."""
    made = stopped(np.random.default_rng([1, 12])).run
    (stop,), _ = find_stops(made, brake_on(made.series, made.marks))
    other = replace(made, name="tuesday")
    (same,), _ = find_stops(other, brake_on(other.series, other.marks))
    later = replace(
        made,
        series=replace(made.series, t_s=made.series.t_s + 1000.0),
        marks=tuple(replace(m, t_s=m.t_s + 1000.0) for m in made.marks),
    )
    (again,), _ = find_stops(later, brake_on(later.series, later.marks))
    for one in (same, again):
        for name in ("speed", "distance", "duration", "retardation"):
            mine, its = getattr(stop, name), getattr(one, name)
            assert mine.parts.keys() & its.parts.keys() <= {INSTRUMENTS.wheel_cause}, name


def test_the_highest_starts_of_two_runs_were_picked_apart() -> None:
    def highest(name: str) -> Measured:
        extent = Extent(name, "start at 1.0 s")
        random = UncertaintyCause(CauseKind.RANDOM, extent=extent)
        pulls = (Measured(pull, "kN", {random: 3.0}) for pull in (50.0, 51.0, 49.0, 50.0))
        starts = [
            StartTest(t_start_s=1.0, breakaway_pull=None, greatest_pull=pull, extent=extent)
            for pull in pulls
        ]
        found = starting_effort(starts)
        assert found is not None
        return found

    monday, tuesday = highest("monday"), highest("tuesday")
    assert monday.value < 51.0
    assert len(monday.parts) == 2
    assert not monday.parts.keys() & tuesday.parts.keys()
    assert len(monday.to_dict()["causes"]) == 2
