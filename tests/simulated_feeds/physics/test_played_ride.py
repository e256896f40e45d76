"""A coarse ride in fine steps."""

from __future__ import annotations

import numpy as np
import pytest

from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.physics.coarse_train import CoarseTrain
from simulated_feeds.physics.motion import Journey, Motion, joined
from simulated_feeds.physics.played_ride import PlayedRide


@pytest.fixture(scope="module")
def journey() -> Journey:
    return make_scenario(1, utc0_ns=0).journey


@pytest.fixture(scope="module")
def ride(journey: Journey) -> Motion:
    return CoarseTrain(journey).advance(3000)


def test_it_goes_through_every_coarse_step(journey: Journey, ride: Motion) -> None:
    played = PlayedRide(journey, ride)
    fine = joined([played.advance(200) for _ in range(150)])
    assert played.step_s == pytest.approx(0.01)
    assert fine.t_s[-1] == pytest.approx(ride.t_s[-1])
    assert fine.s_m[::10] == pytest.approx(ride.s_m, abs=1e-9)
    assert fine.v_m_s[::10] == pytest.approx(ride.v_m_s, abs=1e-9)
    assert played.arrived


def test_the_pulsation_is_there_and_carries_no_work(journey: Journey, ride: Motion) -> None:
    """Four pulsations a turn of the drivers; over metres run their mean is nothing."""
    played = PlayedRide(journey, ride).advance(30_000)
    plain = np.interp(played.t_s, ride.t_s, ride.pull_N)
    added = played.pull_N - plain
    moving = played.v_m_s > 2.0
    assert np.std(added[moving]) > 200.0
    work = np.sum(0.5 * (added[1:] + added[:-1]) * np.diff(played.s_m))
    whole = np.sum(0.5 * (plain[1:] + plain[:-1]) * np.diff(played.s_m))
    assert abs(work) < 1e-3 * whole
    assert np.abs(added[played.v_m_s == 0.0]).max() < 1e-6


def test_beyond_the_ride_the_train_stands(journey: Journey) -> None:
    short = Motion(
        t_s=np.array([0.0, 0.1]), pull_N=np.zeros(2), s_m=np.array([5.0, 5.0]),
        v_m_s=np.zeros(2), a_m_s2=np.zeros(2), effort_N=np.zeros(2), throttle=np.zeros(2),
        brake=np.ones(2), slip_m_s=np.zeros(2),
    )  # fmt: skip
    later = PlayedRide(journey, short).advance(100)
    assert later.t_s[-1] == pytest.approx(1.0)
    assert (later.s_m == 5.0).all()


def test_steps_are_whole_coarse_ones(journey: Journey, ride: Motion) -> None:
    with pytest.raises(ValueError, match="multiple of 10"):
        PlayedRide(journey, ride).advance(15)
