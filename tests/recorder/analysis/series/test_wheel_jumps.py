"""A slip of the measuring wheel, by its own jumps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.analysis.series.wheel_jumps import slipped_share
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.physics.lumped_train import LumpedTrain

STEP_S = 0.5
N = 2400


def ridden(rng: np.random.Generator) -> np.ndarray:
    """Speed (n,) of a train between 6 and 30 m/s: its forces change over seconds; 1 cm/s of
    noise."""
    knots = np.cumsum(rng.uniform(6.0, 40.0, 400))
    a = np.interp(np.arange(N) * STEP_S, knots, rng.uniform(-0.25, 0.25, 400))
    v = np.cumsum(a - a.mean()) * STEP_S
    v = 18.0 + v * min(1.0, 12.0 / float(np.abs(v).max()))
    return np.asarray(v + 0.01 * rng.standard_normal(N))


@given(st.integers(0, 10_000))
def test_a_train_does_not_jump(seed: int) -> None:
    assert not slipped_share(ridden(np.random.default_rng(seed)), STEP_S).any()


@pytest.mark.slow
def test_slack_that_runs_in_and_out_is_no_slip() -> None:
    """A train car by car, with starts, stops and a wheel that never slips."""
    train = LumpedTrain(make_scenario(1, utc0_ns=0).journey)
    t_s, speed = [0.0], [0.0]
    while t_s[-1] < 900.0:
        motion = train.advance(50)
        t_s.append(float(motion.t_s[-1]))
        speed.append(float(motion.v_m_s[-1]))
    at_s = np.arange(0.0, 900.0, 0.1)
    shown = np.interp(at_s, t_s, speed)
    noise = 0.001 * np.random.default_rng(2).standard_normal(len(shown))
    assert shown.max() > 12.0
    assert not slipped_share(shown + noise, 0.1).any()


@pytest.mark.parametrize("jerk_m_s3", [0.06, 0.2, 0.5])
def test_a_brake_that_takes_hold_is_no_slip(jerk_m_s3: float) -> None:
    t = np.arange(800) * STEP_S
    braked = np.clip((t - 100.25) * jerk_m_s3, 0.0, 1.0) * (t < 112.0)
    speed = 20.0 - np.cumsum(braked) * STEP_S
    noise = 0.01 * np.random.default_rng(4).standard_normal(len(t))
    assert not slipped_share(speed + noise, STEP_S).any()


@pytest.mark.parametrize("share", [0.015, 0.03, -0.02])
def test_a_slip_is_found_with_its_size(share: float) -> None:
    for seed in range(20):
        speed = ridden(np.random.default_rng(seed))
        slow = int(np.argmax(speed[400:1800])) + 400
        at = slice(slow, slow + 60)
        speed[at] *= 1.0 - share
        found = slipped_share(speed, STEP_S)
        assert found[slow + 4 : slow + 56] == pytest.approx(share, abs=0.006)
        assert not found[: slow - 4].any()
        assert not found[slow + 66 :].any()


@pytest.mark.parametrize("seconds", [60, 140, 400, 900])
def test_however_long_it_lasts_it_ends_where_it_was_undone(seconds: int) -> None:
    speed = np.full(N, 15.0) + 0.01 * np.random.default_rng(seconds).standard_normal(N)
    end = 200 + round(seconds / STEP_S)
    speed[200:end] *= 0.95
    found = slipped_share(speed, STEP_S)
    assert found[204 : end - 4] == pytest.approx(0.05, abs=0.006)
    assert not found[: 200 - 4].any()
    assert not found[end + 4 :].any()


def test_one_that_nothing_undoes_lasts_until_rest() -> None:
    speed = np.concatenate((np.full(400, 15.0), np.linspace(15.0, 0.0, 100), np.zeros(300)))
    speed[380:500] *= 0.97
    found = slipped_share(speed + 1e-3 * np.sin(np.arange(800.0)), STEP_S)
    assert found[384:498] == pytest.approx(0.03, abs=0.005)
    assert not found[502:].any()
    worn = np.full(1200, 15.0) + 0.01 * np.sin(np.arange(1200.0))
    worn[400:] *= 0.97
    assert slipped_share(worn, STEP_S)[404:].all()


def braked(step_s: float) -> np.ndarray:
    """Speed (n,): 15 m/s for 100 s, 0.6 m/s² down to rest, a minute's stand, and off again."""
    t = (np.arange(round(300.0 / step_s)) + 0.5) * step_s
    speed = np.interp(
        t, [0.0, 100.0, 125.0, 185.0, 235.0, 300.0], [15.0, 15.0, 0.0, 0.0, 12.0, 12.0]
    )
    noise = 0.005 * np.random.default_rng(7).standard_normal(len(t))
    return np.asarray(np.where(speed > 0.0, np.maximum(speed + noise, 0.0), 0.0))


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("seconds", [1.0, 3.0, 8.0, 60.0])
def test_a_wheel_that_locks_has_lost_all_of_its_speed_until_it_turns(
    step_s: float, seconds: float
) -> None:
    speed = braked(step_s)
    whole = slipped_share(speed, step_s)
    assert not whole.any()
    t = (np.arange(len(speed)) + 0.5) * step_s
    locked = (t > 110.0) & (t < 110.0 + seconds)
    speed[locked] = 0.0
    found = slipped_share(speed, step_s)
    stands = locked & (t < 124.0)
    assert (found[stands] == 1.0).all()
    assert (np.abs(found) <= 1.0).all()
    # By the start, which is no jump, it stood.
    assert not found[t > 185.5].any()


@given(st.integers(0, 10_000), st.floats(0.0, 1.5), st.floats(0.5, 300.0))
def test_no_share_is_beyond_the_whole(seed: int, shown: float, seconds: float) -> None:
    speed = ridden(np.random.default_rng(seed))
    speed[600 : 600 + round(seconds / STEP_S)] *= shown
    assert (np.abs(slipped_share(speed, STEP_S)) <= 1.0).all()


def test_of_too_few_readings_nothing_is_said() -> None:
    assert not slipped_share(np.zeros(3), STEP_S).any()
    assert not slipped_share(np.full(50, np.nan), STEP_S).any()
