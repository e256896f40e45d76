"""What is called true of the trial day, held against what follows from its physics by hand."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.quantities.constants import KM_H_PER_M_S
from recorder.command_line.demo.true_day import Rate, TrueDay, Work
from simulated_feeds.outing.trial_day import TrialDay, trial_day

UTC0 = 1_795_000_000 * 10**9
OFFSET_S = -10.0


@pytest.fixture(scope="module")
def day() -> TrialDay:
    return trial_day(2, utc0_ns=UTC0)


@pytest.fixture(scope="module")
def true(day: TrialDay) -> TrueDay:
    return TrueDay(day, OFFSET_S)


def test_it_is_on_run_time(day: TrialDay, true: TrueDay) -> None:
    passed = float(day.motion.t_s[np.searchsorted(day.motion.s_m, 5000.0)])
    whole = true.mean_speed(0.0, passed + OFFSET_S) * (passed + OFFSET_S)
    assert whole == pytest.approx(5000.0 - day.motion.s_m[0], abs=2.0)


def test_held_at_full_throttle_it_pulls_what_the_locomotive_is_able_to(true: TrueDay) -> None:
    """On the climb before the second station, minutes at one speed."""
    t0, t1 = 1750.0, 1800.0
    v = true.mean_speed(t0, t1)
    assert np.ptp(true.speeds_between(t0, t1)) < 0.2
    assert true.mean(Rate.LEVEL, t0, t1) == pytest.approx(true.able_kN(v), rel=1e-3)
    assert true.mean(Rate.LEVEL_POWER, t0, t1) == pytest.approx(true.able_kN(v) * v, rel=1e-3)


def test_work_is_what_became_of_it(true: TrueDay) -> None:
    """Over running with the brake off: work at the drawbar is height, speed, curves, rolling."""
    edges = np.array([700.0, 1000.0])
    parts = [
        float(true.done(name, edges)[0]) for name in (Work.GRADE, Work.CURVE, Work.ROLLING)
    ]
    gained = float(np.diff(true.kinetic_kJ(edges))[0])
    assert float(true.done(Work.WORK, edges)[0]) == pytest.approx(sum(parts) + gained, rel=2e-3)


def test_a_train_goes_on_climbing_at_its_balancing_speed(day: TrialDay, true: TrueDay) -> None:
    """Steady before the summit at 15.4 km, on the grade as it truly lies there."""
    t0, t1 = 1780.0, 1800.0
    journey = day.scenario.journey
    s = float(np.interp(t0 - OFFSET_S, day.motion.t_s, day.motion.s_m))
    length = float(journey.train.length_m.sum())
    grade = float(journey.line.grade.mean(s - length, s + 50.0))
    assert true.balanced_m_s(grade) == pytest.approx(true.mean_speed(t0, t1), rel=0.03)
    load = true.load_t(grade, 0.0, true.balanced_m_s(grade))
    assert load == pytest.approx(true.trailing_t, rel=1e-6)


def test_a_start_begins_at_rest_and_a_stop_ends_there(day: TrialDay, true: TrueDay) -> None:
    moving = day.motion.v_m_s != 0.0
    began = float(day.motion.t_s[np.flatnonzero(moving)[0]]) + OFFSET_S
    greatest = true.greatest_start_kN(began, 2.0)
    breakaway = true.breakaway_kN(began)
    assert greatest is not None
    assert breakaway is not None
    assert 0.0 < breakaway < greatest < 200.0
    assert true.greatest_start_kN(began + 300.0, 2.0) is None
    assert true.stop_from(800.0) is None


def test_stops_are_from_the_brake_to_rest(day: TrialDay, true: TrueDay) -> None:
    ride = day.motion
    first_stop = int(np.flatnonzero(np.diff((ride.v_m_s != 0.0).astype(int)) < 0)[0])
    rolling = np.flatnonzero(ride.brake[:first_stop] < 0.01)[-1]
    found = true.stop_from(float(ride.t_s[rolling]) + OFFSET_S)
    assert found is not None
    speed, metres, seconds = found
    assert speed == pytest.approx(float(ride.v_m_s[rolling]), abs=0.05)
    assert metres == pytest.approx(float(ride.s_m[first_stop] - ride.s_m[rolling]), abs=5.0)
    assert seconds == pytest.approx(float(ride.t_s[first_stop] - ride.t_s[rolling]), abs=0.5)


def test_resistance_is_that_of_the_true_vehicles(day: TrialDay, true: TrueDay) -> None:
    vehicles = day.scenario.journey.train.vehicles[1:]
    a, b, c = (
        sum(x.davis[i] * x.mass_t for x in vehicles) / sum(x.mass_t for x in vehicles)
        for i in range(3)
    )
    assert true.resistance_terms == pytest.approx((a, b, c), rel=1e-9)
    assert true.resistance_N_per_t(40.0) == pytest.approx(a + b * 40.0 + c * 1600.0)


def test_coal_and_water_go_with_the_work(day: TrialDay, true: TrueDay) -> None:
    whole = true.used("fuel", -OFFSET_S, day.arrived_s + OFFSET_S)
    parts = true.used("fuel", -OFFSET_S, 2000.0) + true.used(
        "fuel", 2000.0, day.arrived_s + OFFSET_S
    )
    assert whole == pytest.approx(parts)
    assert 5.0 < true.used("water", 500.0, 900.0) / true.used("fuel", 500.0, 900.0) < 9.0
    assert true.drawn_kWh(500.0, 900.0) == pytest.approx(
        float(true.done(Work.WORK, [500.0, 900.0])[0]) / 3600.0, rel=1e-3
    )


def test_able_is_the_engines_law(day: TrialDay, true: TrueDay) -> None:
    journey = day.scenario.journey
    front = journey.train.vehicles[0]
    a, b, c = front.davis
    for v in (6.0, 12.0, 19.0):
        k = KM_H_PER_M_S * v
        law = journey.engine.effort_N(v) - front.mass_t * (a + b * k + c * k * k)
        assert true.able_kN(v) == pytest.approx(law / 1000.0, rel=1e-9)
