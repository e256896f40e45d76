"""The trial day: what is true of it by construction, and what its sheets say."""

from __future__ import annotations

import numpy as np
import pytest
import tomli_w

from calibration.quantities.constants import KM_H_PER_M_S
from recorder.analysis.stretches.specification import specification_of
from recorder.sheets.trip import parse_trip_sheet
from simulated_feeds.outing.trial_day import SURE, TrialDay, trial_day
from simulated_feeds.sheets.sheet_files import trip_sheet

UTC0 = 1_795_000_000 * 10**9


@pytest.fixture(scope="module", params=[1, 5])
def day(request: pytest.FixtureRequest) -> TrialDay:
    return trial_day(request.param, utc0_ns=UTC0)


@pytest.mark.parametrize("seed", range(1, 11))
def test_the_locomotive_pulls_two_to_three_per_cent_more_than_its_trip_sheet_asks(
    seed: int,
) -> None:
    """By the engine's law and the locomotive's Davis resistance, at every specified speed and
    between: drawbar pull on level, straight track is effort at the rim less own resistance."""
    scenario = trial_day(seed, utc0_ns=UTC0).scenario
    asked = specification_of(parse_trip_sheet(tomli_w.dumps(trip_sheet(scenario))))
    assert asked is not None
    engine, front = scenario.journey.engine, scenario.journey.train.vehicles[0]
    a, b, c = front.davis
    v = np.linspace(asked.speed_m_s[0], asked.speed_m_s[-1], 2001)
    effort = np.array([engine.effort_N(x) for x in v.tolist()])
    k = KM_H_PER_M_S * v
    true_kN = (effort - front.mass_t * (a + b * k + c * k**2)) / 1000.0
    margin = true_kN / asked.limits_kN(v) - 1.0
    assert margin.min() > 0.02
    assert margin.max() < 0.03
    assert KM_H_PER_M_S * asked.speed_m_s[0] == pytest.approx(20.0)
    assert KM_H_PER_M_S * asked.speed_m_s[-1] == pytest.approx(70.0)


def test_the_motion_pulls_what_the_law_says(day: TrialDay) -> None:
    """Measured pull, put right for grade, curve and acceleration of the true locomotive, is the
    law's wherever the throttle is full and the rail dry: three roads to one figure."""
    ride, journey = day.motion, day.scenario.journey
    front, train = journey.train.vehicles[0], journey.train
    at = (ride.throttle == 1.0) & (ride.slip_m_s == 0.0) & (ride.v_m_s > 5.0)
    at &= ride.t_s < journey.wet_from_s
    s, length = ride.s_m[at], front.length_m
    kg = 1000.0 * front.mass_t
    weight_N = kg * 9.80665
    level = (
        ride.pull_N[at]
        + weight_N * journey.line.grade.mean(s, s + length)
        + weight_N / 1000.0 * train.curve_N_per_kN_m * journey.line.bend.mean(s, s + length)
        + kg * (1.0 + front.rotary_allowance) * ride.a_m_s2[at]
    )
    a, b, c = front.davis
    k = KM_H_PER_M_S * ride.v_m_s[at]
    law = np.array([journey.engine.effort_N(v) for v in ride.v_m_s[at].tolist()])
    law -= front.mass_t * (a + b * k + c * k**2)
    assert np.abs(level / law - 1.0).max() < 2e-3


def test_every_specified_band_is_run_for_minutes_at_full_throttle_on_a_dry_rail(
    day: TrialDay,
) -> None:
    ride = day.motion
    full = (ride.throttle == 1.0) & (ride.t_s < day.scenario.journey.wet_from_s)
    edges = np.arange(20.0, 71.0, 10.0)
    steps, _ = np.histogram(KM_H_PER_M_S * ride.v_m_s[full], bins=edges)
    assert (steps * 0.1 > 120.0).all(), steps


def test_two_hours_sixty_km_stops_a_slip_and_rain(day: TrialDay) -> None:
    ride = day.motion
    assert 6000.0 < day.seconds < 8000.0
    assert ride.s_m[-1] - ride.s_m[0] > 60_000.0
    moving = ride.v_m_s != 0.0
    assert np.count_nonzero(np.diff(moving.astype(int)) < 0) == 5
    assert ride.slip_m_s.max() > 0.5
    assert np.count_nonzero(moving & (ride.t_s > day.scenario.journey.wet_from_s)) > 6000
    assert ride.v_m_s[-1] == 0.0
    assert day.seconds - day.arrived_s == pytest.approx(120.0, abs=0.2)
    (fault,) = day.faults
    assert 20.0 < fault.lasts_s < 90.0
    assert moving[(ride.t_s > fault.at_s) & (ride.t_s < fault.at_s + fault.lasts_s)].all()


def test_a_wet_rail_lets_the_locomotive_start_with_less(day: TrialDay) -> None:
    ride = day.motion
    wet = ride.t_s > day.scenario.journey.wet_from_s
    assert ride.effort_N[wet].max() < 0.85 * ride.effort_N[~wet].max()


def test_line_and_train_are_off_their_sheets_by_what_the_sheets_state() -> None:
    """Over twenty days the errors drawn have the standard deviations stated, not more."""
    slopes, masses = [], []
    for seed in range(20):
        scenario = trial_day(seed, utc0_ns=UTC0).scenario
        at = np.arange(300.0, scenario.told.line.length_m, 500.0)
        slopes += (
            scenario.journey.line.grade.value(at) - scenario.told.line.grade.value(at)
        ).tolist()
        true, stated = scenario.journey.train.vehicles[0], scenario.told.train.vehicles[0]
        masses.append(true.mass_t / stated.mass_t - 1.0)
    assert np.std(slopes) == pytest.approx(SURE.grade, rel=0.1)
    assert 0.3 * SURE.mass_rel < np.std(masses) < 1.5 * SURE.mass_rel


def test_the_same_seed_is_the_same_day() -> None:
    one, other = (trial_day(3, utc0_ns=UTC0).motion for _ in range(2))
    assert np.array_equal(one.pull_N, other.pull_N)
    assert not np.array_equal(one.s_m[:50_000], trial_day(4, utc0_ns=UTC0).motion.s_m[:50_000])
