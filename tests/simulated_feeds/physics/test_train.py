"""The train: energy, slack, stops, grades, slip; car by car against one mass."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from calibration.quantities.constants import G_M_S2
from simulated_feeds.outing.scenario import demo_engine, freight_train, make_scenario
from simulated_feeds.physics.coarse_train import CoarseTrain
from simulated_feeds.physics.driving import StationStop
from simulated_feeds.physics.line import CurveSpec, GradeSpec, SimulatedLine
from simulated_feeds.physics.lumped_train import LumpedTrain
from simulated_feeds.physics.motion import Journey, Motion, Mover
from simulated_feeds.physics.vehicles import CURVE_N_PER_KN_M

G = G_M_S2


def journey(
    *, slope: float = 0.0, radius_m: float = 0.0, cars: int = 6, stop_m: float = 5000.0
) -> Journey:
    curves = (
        (CurveSpec(s_m=1.0, end_m=9000.0, radius_m=radius_m, hand=1, spiral_m=1.0),)
        if radius_m
        else ()
    )
    line = SimulatedLine(
        name="test", length_m=10_000.0, grades=(GradeSpec(s_m=0.0, slope=slope),), curves=curves
    )
    return Journey(
        line=line, train=freight_train(cars)[0], engine=demo_engine(), start_s_m=1000.0,
        stops=(StationStop(s_m=stop_m, dwell_s=20.0),), depart_t_s=2.0,
    )  # fmt: skip


def run(mover: Mover, seconds: float) -> Motion:
    return mover.advance(round(seconds / mover.step_s))


def test_energy_is_conserved_on_a_real_line() -> None:
    """Work of the effort = kinetic + potential + coupler energy + friction + damping.

    Potential energy is taken from elevations, kinetic from speeds: other roads to the numbers
    than the forces that made them. The bound halves with the step (semi-implicit stepping).
    """
    scenario = make_scenario(
        1, utc0_ns=0, start_s_m=1600.0, stops=(StationStop(s_m=3400.0),), cars=4
    )
    errors = []
    for step_s in (0.002, 0.001):
        train = LumpedTrain(scenario.journey, step_s=step_s, audit=True)
        before = train.potential_J() + train.kinetic_J() + train.coupler_J()
        train.advance(round(60.0 / step_s))
        account = train.account
        assert account is not None
        held = train.coupler_J()
        after = train.potential_J() + train.kinetic_J() + held
        gone = account.friction + account.damping - held
        errors.append(abs(account.effort - gone - (after - before)) / account.effort)
        assert account.friction > 0.0
        assert account.damping > 0.0
    assert errors[0] < 2e-4
    assert errors[1] < 0.7 * errors[0]


def test_drawbar_work_is_what_the_trailing_cars_took() -> None:
    train = LumpedTrain(journey(), audit=True)
    motion = run(train, 60.0)
    account = train.account
    assert account is not None
    work = float(np.trapezoid(motion.pull_N * motion.v_m_s, motion.t_s))
    assert work == pytest.approx(account.drawbar, rel=2e-3)


def test_run_out_shows_in_the_pull() -> None:
    """Slack runs out car by car: the last car starts well after the locomotive, and the pull
    climbs in steps as each is picked up.
    """
    train = LumpedTrain(journey(cars=14))
    started = np.full(train.v.size, np.nan)
    pulls = []
    for _ in range(1200):
        motion = train.advance(10)
        pulls += motion.pull_N[1:].tolist()
        moving = (train.v > 0.01) & np.isnan(started)
        started[moving] = train.t_s
    assert started[0] == np.nanmin(started)
    assert started[-1] - started[0] > 1.0
    assert np.all(np.diff(started) > -0.05)
    # Jolts: the pull does not rise evenly; without slack it does.
    tight = replace(journey(cars=14), train=freight_train(14, slack_m=0.0)[0])
    even = run(LumpedTrain(tight), 24.0).pull_N
    assert _roughness(np.array(pulls)) > 2.0 * _roughness(even)


def _roughness(pull_N: np.ndarray) -> float:
    """How much the pull falls back while it should only climb."""
    return float(-np.minimum(np.diff(pull_N[:6000]), 0.0).sum())


def test_nothing_pulls_before_departure() -> None:
    motion = run(LumpedTrain(journey()), 2.0)
    assert np.all(motion.pull_N == 0.0)
    assert np.all(motion.v_m_s == 0.0)


@pytest.mark.parametrize("slope", [0.004, -0.006])
def test_stops_where_told(slope: float) -> None:
    for mover in (
        LumpedTrain(journey(slope=slope, stop_m=1250.0)),
        CoarseTrain(journey(slope=slope, stop_m=1250.0)),
    ):
        motion = run(mover, 150.0)
        assert motion.v_m_s[-1] == pytest.approx(0.0, abs=1e-6)
        assert motion.s_m[-1] == pytest.approx(1250.0, abs=4.0)


def test_brakes_hold_on_a_grade() -> None:
    """Standing on 2 %: friction holds, nothing creeps."""
    held = replace(journey(slope=0.02), depart_t_s=1e9)
    train = LumpedTrain(held)
    run(train, 30.0)
    moved = run(train, 60.0)
    assert np.ptp(moved.s_m) < 1e-6


@pytest.mark.parametrize(("slope", "radius_m"), [(0.0, 0.0), (0.003, 400.0)])
def test_steady_pull_balances_resistance(slope: float, radius_m: float) -> None:
    """At speed the pull is trailing resistance + grade + curve + inertia, by hand."""
    run_of = journey(slope=slope, radius_m=radius_m, stop_m=9500.0)
    for mover in (LumpedTrain(run_of), CoarseTrain(run_of)):
        run(mover, 120.0)
        motion = run(mover, 20.0)
        v = float(np.mean(motion.v_m_s))
        vehicles = run_of.train.vehicles[1:]
        km_h = 3.6 * v
        expected = 0.0
        for car in vehicles:
            a, b, c = car.davis
            expected += car.mass_t * (a + b * km_h + c * km_h**2)
            expected += car.mass_t * 1000.0 * G * slope
            if radius_m:
                expected += car.mass_t * G * CURVE_N_PER_KN_M / radius_m
        inertia = sum(car.mass_t * 1000.0 * (1.0 + car.rotary_allowance) for car in vehicles)
        gained = (motion.v_m_s[-1] - motion.v_m_s[0]) / 20.0
        assert v > 3.0
        assert float(np.mean(motion.pull_N)) == pytest.approx(
            expected + inertia * gained, rel=0.01, abs=300.0
        )


def test_car_by_car_and_one_mass_agree() -> None:
    fine, coarse = LumpedTrain(journey(slope=0.003)), CoarseTrain(journey(slope=0.003))
    a, b = run(fine, 150.0), run(coarse, 150.0)
    at = np.arange(40.0, 150.0, 1.0)
    assert np.interp(at, a.t_s, a.v_m_s) == pytest.approx(
        np.interp(at, b.t_s, b.v_m_s), abs=0.25
    )
    smooth = np.convolve(a.pull_N, np.ones(1000) / 1000.0, mode="same")
    assert np.interp(at, a.t_s, smooth) == pytest.approx(
        np.interp(at, b.t_s, b.pull_N), abs=8000.0
    )


def test_slip_drops_the_pull_and_is_caught() -> None:
    for kind in (LumpedTrain, CoarseTrain):
        greasy = replace(journey(), slips=((30.0, 4.0, 0.2),))
        motion = run(kind(greasy), 90.0)
        during = (motion.t_s > 31.0) & (motion.t_s < 33.0)
        before = (motion.t_s > 26.0) & (motion.t_s < 29.0)
        after = motion.t_s > 60.0
        assert motion.slip_m_s[during].max() > 0.3
        assert motion.slip_m_s[after].max() == 0.0
        assert motion.pull_N[during].mean() < 0.5 * motion.pull_N[before].mean()
        assert motion.effort_N[after].mean() > 0.5 * motion.effort_N[before].mean()


def test_sets_back() -> None:
    back = replace(
        journey(), stops=(StationStop(s_m=1200.0, dwell_s=5.0), StationStop(s_m=1100.0))
    )
    motion = run(CoarseTrain(back), 400.0)
    assert motion.s_m.max() == pytest.approx(1200.0, abs=4.0)
    assert motion.s_m[-1] == pytest.approx(1100.0, abs=4.0)
    assert motion.v_m_s.min() < -0.5


def test_keeps_to_limits() -> None:
    scenario = make_scenario(3, utc0_ns=0)
    train = CoarseTrain(scenario.journey)
    motion = run(train, 3000.0)
    table = scenario.journey.line.limit_table(10.0)
    limit = table[np.clip((motion.s_m / 10.0).astype(int), 0, table.size - 1)]
    assert np.max(motion.v_m_s - limit) < 1.0
    assert motion.v_m_s.max() > 15.0


def test_same_journey_same_motion() -> None:
    a, b = run(LumpedTrain(journey()), 20.0), run(LumpedTrain(journey()), 20.0)
    assert np.array_equal(a.pull_N, b.pull_N)
    assert np.array_equal(a.s_m, b.s_m)


def test_stretches_join() -> None:
    whole = run(LumpedTrain(journey()), 20.0)
    train = LumpedTrain(journey())
    parts = [train.advance(20) for _ in range(500)]
    assert np.array_equal(np.concatenate([p.pull_N[1:] for p in parts]), whole.pull_N[1:])
    for before, after in pairwise(parts):
        assert after.t_s[0] == before.t_s[-1]
        assert after.s_m[0] == before.s_m[-1]


def test_steps_must_fit_the_controls() -> None:
    with pytest.raises(ValueError, match="multiple of 10"):
        LumpedTrain(journey()).advance(7)
