"""The rate of a device's ticks against a receiver's pulse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibration.clock.tick_rate import seconds_of_pulses, tick_rate
from recorder.run.time.new_pulses import NewPulses
from simulated_feeds.outing.rendering import render_run_arrays
from simulated_feeds.outing.scenario import make_scenario

HZ = 1e6


def edges(
    ppm: float,
    seconds: NDArray[np.int64],
    *,
    jitter_s: float = 0.0,
    seed: int = 1,
    first: int = 0,
) -> NDArray[np.uint64]:
    """Ticks at which a clock so fast would note the pulses of these seconds."""
    jitter = np.random.default_rng(seed).normal(0.0, 1.0, len(seconds)) * jitter_s
    ticks = np.rint((seconds * (1.0 + 1e-6 * ppm) + jitter) * HZ).astype(np.int64)
    return (ticks + first).astype(np.uint64)


@settings(max_examples=40, deadline=None)
@given(
    ppm=st.floats(-3e4, 3e4),
    first=st.integers(0, 2**62),
    lost=st.sets(st.integers(1, 298), max_size=100),
)
def test_a_steady_clock_gives_its_rate_whatever_pulses_are_lost(
    ppm: float, first: int, lost: set[int]
) -> None:
    """3 % off is a bad RC oscillator; a gap of a second or two is counted through."""
    kept = np.array([s for s in range(300) if s not in lost or s - 1 in lost])
    seconds, steps = seconds_of_pulses(edges(ppm, kept, first=first), HZ)
    assert np.array_equal(seconds, kept - kept[0])
    found = tick_rate(seconds, steps, HZ)
    # A tick of 1 µs over 300 s.
    assert found.rate_ppm == pytest.approx(ppm, abs=0.01)
    assert found.low_ppm - 0.1 <= ppm <= found.high_ppm + 0.1


def test_what_is_no_pulse_ends_a_stretch_and_the_longest_is_taken() -> None:
    whole = edges(20.0, np.arange(100))
    stray = np.insert(whole, 30, whole[29] + np.uint64(300_000))
    seconds, _ = seconds_of_pulses(stray, HZ)
    assert len(seconds) == 70
    restarted = np.concatenate((whole[:60], whole[:40]))
    seconds, steps = seconds_of_pulses(restarted, HZ)
    assert len(seconds) == 60
    assert steps[-1] == pytest.approx(59e6 * (1 + 20e-6), abs=1.0)


def test_u_holds_the_rate_as_often_as_it_says() -> None:
    """Pulses that jitter by 5 µs, 300 draws: at least 93 in 100 within U."""
    held = 0
    for seed in range(300):
        ppm = 40.0 * math.sin(seed)
        ticks = edges(ppm, np.arange(400), jitter_s=5e-6, seed=seed)
        found = tick_rate(*seconds_of_pulses(ticks, HZ), HZ)
        held += abs(found.rate_ppm - ppm) <= found.k * found.u_ppm
    assert held >= 0.93 * 300


def test_a_clock_that_wanders_is_less_sure_of_its_mean() -> None:
    s = np.arange(400)
    wandering = np.rint((s + 1e-6 * 40.0 * np.sin(s / 60.0)) * HZ).astype(np.uint64)
    steady = tick_rate(*seconds_of_pulses(edges(0.0, s), HZ), HZ)
    found = tick_rate(*seconds_of_pulses(wandering, HZ), HZ)
    assert found.u_ppm > 10.0 * steady.u_ppm
    assert found.high_ppm - found.low_ppm > 0.5


@pytest.mark.parametrize("n", [0, 1, 31])
def test_too_few_pulses_are_told(n: int) -> None:
    seconds, steps = seconds_of_pulses(edges(1.0, np.arange(n)), HZ)
    with pytest.raises(ValueError, match="pulses in one stretch; at least 32"):
        tick_rate(seconds, steps, HZ)


@pytest.mark.slow
def test_the_simulated_counters_own_oscillator_is_found() -> None:
    """The feed's truth: its oscillator's mean rate, which wanders by some tenths of a ppm."""
    for seed in (1, 2, 3):
        scenario = make_scenario(seed, utc0_ns=1_795_000_000 * 10**9, pps=True)
        records = render_run_arrays(scenario, 900.0).wheel.records
        new = NewPulses().among(records["pps_tick"], records["flags"], records["tick"])
        seconds, steps = seconds_of_pulses(records["pps_tick"][new], HZ)
        found = tick_rate(seconds, steps, HZ)
        clock = scenario.wheel_clock
        assert abs(found.rate_ppm - clock.ppm) <= clock.wander_ppm + found.k * found.u_ppm
