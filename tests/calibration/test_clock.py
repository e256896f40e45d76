"""Clocks against oscillators and delays of our own making: truth known, latency only added."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.clock import LiveTickClock, fit_ticks, fit_utc

HZ = 1e6
EPOCH_NS = 1_795_000_000 * 10**9


def oscillator(t_s: np.ndarray, ppm: float, swing_ppm: float = 0.0) -> np.ndarray:
    """Ticks at true times: a rate error, and a slow swing of it over two hours."""
    swing = swing_ppm * 1e-6 * 7200 / (2 * np.pi) * (1 - np.cos(2 * np.pi * t_s / 7200))
    return np.asarray(np.round((t_s * (1 + ppm * 1e-6) + swing) * HZ), dtype=np.uint64)


def late(rng: np.random.Generator, n: int, least_s: float = 0.001) -> np.ndarray:
    """Serial latency: a floor, bunches of an adapter, now and then a stall."""
    return np.asarray(
        least_s + rng.uniform(0, 0.016, n) + np.where(rng.random(n) < 0.01, 0.2, 0.0)
    )


@pytest.mark.parametrize("ppm", [-80.0, 0.0, 35.0])
def test_fit_follows_a_drifting_oscillator(ppm: float) -> None:
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 4 * 3600.0, 0.1)
    fit = fit_ticks(
        oscillator(t, ppm, 3.0) + np.uint64(10**9), t + late(rng, len(t)), tick_hz=HZ
    )
    error = fit.time_s(oscillator(t, ppm, 3.0) + np.uint64(10**9)) - t
    assert np.abs(error - 0.001).max() < 0.001
    assert fit.drift_ppm == pytest.approx(ppm, abs=2.0)
    assert np.all(np.diff(fit.time_s(oscillator(t, ppm, 3.0) + np.uint64(10**9))) > 0)


def test_short_runs_are_tied_by_their_earliest_block() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 3.0, 0.01)
    fit = fit_ticks(oscillator(t, 20.0), t + late(rng, len(t)), tick_hz=HZ)
    assert np.abs(fit.time_s(oscillator(t, 20.0)) - t - 0.001).max() < 0.002


def test_bad_input_is_refused() -> None:
    one = np.array([1], np.uint64)
    with pytest.raises(ValueError, match="two blocks"):
        fit_ticks(one, np.array([0.0]), tick_hz=HZ)
    with pytest.raises(ValueError, match="rising"):
        fit_ticks(np.array([5, 5], np.uint64), np.array([0.0, 1.0]), tick_hz=HZ)
    with pytest.raises(ValueError, match="two valid"):
        fit_utc(np.array([0.0]), np.array([EPOCH_NS]))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), st.floats(-200, 200), st.floats(0.0, 0.3))
def test_live_times_never_step_back(seed: int, ppm: float, jitter_s: float) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.002, 0.05, 300))
    ticks = oscillator(t, ppm)
    clock = LiveTickClock(HZ)
    last_s, last_tick = -np.inf, 0
    for tick, true in zip(ticks.tolist(), t.tolist(), strict=True):
        line = clock.update(tick, true + rng.uniform(0, jitter_s))
        between = line.time_s(np.array([last_tick + 1, tick], np.uint64))
        if last_tick:
            assert between[0] >= last_s - 1e-9
        assert between[1] >= between[0] - 1e-9
        last_s, last_tick = float(between[1]), tick


def test_live_clock_settles_and_follows() -> None:
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 600.0, 0.01)
    ticks = oscillator(t, 50.0)
    clock = LiveTickClock(HZ)
    received = t + late(rng, len(t))
    found = [
        clock.update(tick, r).time_s(np.array([tick], np.uint64))[0]
        for tick, r in zip(ticks.tolist(), received.tolist(), strict=True)
    ]
    error = np.array(found) - t
    assert np.abs(error[500:]).max() < 0.006
    assert len(clock._least) < 700


def sentences(
    rng: np.random.Generator, hours: float, ppm: float = 20.0
) -> tuple[np.ndarray, ...]:
    """True run times of whole UTC seconds, receipt times, and what the sentences tell."""
    second = np.arange(1, int(hours * 3600))
    true_t = (second - 0.3) * (1 + ppm * 1e-6)
    delay = 0.085 + rng.exponential(0.012, len(second)) + rng.uniform(0, 0.01, len(second))
    return true_t, true_t + delay, EPOCH_NS + second * 10**9


def test_utc_within_a_millisecond_with_pulses() -> None:
    rng = np.random.default_rng(8)
    true_t, received, told = sentences(rng, 3.0)
    out = (true_t > 3000) & (true_t < 4200)
    pulses = true_t[~out] + rng.normal(0, 5e-5, (~out).sum())
    fit = fit_utc(received[~out], told[~out], pps_t_s=pulses)
    error_s = (fit.utc_ns(true_t) - told) / 1e9
    assert fit.source == "pulse per second"
    assert np.abs(error_s).max() < 1e-3
    u = fit.u_s(true_t)
    assert u[np.searchsorted(true_t, 3600)] > u[100]
    assert np.mean(np.abs(error_s) <= 2 * u) >= 0.95


def test_utc_within_a_tenth_without_pulses() -> None:
    rng = np.random.default_rng(9)
    true_t, received, told = sentences(rng, 3.0)
    fit = fit_utc(received, told)
    error_s = (fit.utc_ns(true_t) - told) / 1e9
    assert fit.source == "sentences"
    assert np.abs(error_s).max() < 0.1
    assert np.mean(np.abs(error_s) <= 2 * fit.u_s(true_t)) >= 0.95


def test_a_receiver_that_jumps_is_told_and_not_followed() -> None:
    """A leap-second count learnt late shows as whole seconds off for a while."""
    rng = np.random.default_rng(10)
    true_t, received, told = sentences(rng, 1.0)
    wrong = told.copy()
    wrong[:300] += 3 * 10**9
    fit = fit_utc(received, wrong)
    assert np.abs((fit.utc_ns(true_t) - told) / 1e9).max() < 0.1
    assert [step for _, step in fit.steps] == [3.0, 0.0]
