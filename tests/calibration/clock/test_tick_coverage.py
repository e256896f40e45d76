"""Ticks against drawn truth: rates from 0 to 5 %, heavy-tailed latency, steps, coarse clocks.

The truth is drawn; what is counted is how often the stated interval holds it, group by group, and
whether distance over time comes out right within what is stated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.clock.live_tick_clock import LiveTickClock, NominalTickClock
from calibration.clock.lower_edge import lower_edge
from calibration.clock.ticks_to_run_time import TickFit, fit_ticks

HZ = 1e6
RATES = (0.0, 1e-5, -8e-5, 2e-4, 0.005, -0.02, 0.05, -0.05)
GROUPS = (
    "plain", "constant latency", "heavy tails", "adapter of 16 ms", "steps", "clock of 15.6 ms",
)  # fmt: skip
GRID_S = 0.015625


@dataclass(frozen=True)
class Drawn:
    t_s: NDArray[np.float64]
    ticks: NDArray[np.uint64]
    received_s: NDArray[np.float64]
    rate: float
    resolution_s: float


def draw(rng: np.random.Generator, group: str) -> Drawn:
    """One start of a device, twenty seconds to two hours."""
    span = float(rng.choice([20.0, 60.0, 300.0, 1800.0, 7200.0]))
    every = 0.1 if span > 2000.0 else float(rng.choice([0.01, 0.02, 0.1]))
    t = np.arange(0.0, span, every) + rng.uniform(0.0, every)
    rate = float(rng.choice(RATES)) * float(rng.uniform(0.8, 1.0))
    # A crystal wanders with temperature by a part in a million or three, others by a hundred.
    swing = (3e-6 if abs(rate) < 1e-3 else 1e-4) * float(rng.uniform(0.0, 1.0))
    turn = 2.0 * np.pi / float(rng.uniform(2700.0, 7200.0))
    phase = float(rng.uniform(0.0, 6.28))
    device = t * (1.0 + rate) + swing / turn * (np.cos(phase) - np.cos(turn * t + phase))
    ticks = np.floor(device * HZ).astype(np.uint64) + np.uint64(rng.integers(0, 2**40))
    received = t + _latency(rng, group, t, span)
    resolution = 0.0
    if group == "clock of 15.6 ms":
        received = np.floor(received / GRID_S) * GRID_S
        resolution = GRID_S * float(rng.random() < 0.5)
    return Drawn(t, ticks, np.maximum.accumulate(received), rate, resolution)


def _latency(
    rng: np.random.Generator, group: str, t: NDArray[np.float64], span: float
) -> NDArray[np.float64]:
    n = len(t)
    usual = np.asarray(rng.exponential(2e-4, n))
    match group:
        case "constant latency":
            return usual + float(rng.uniform(0.0, 1e-3))
        case "heavy tails":
            body = rng.lognormal(
                np.log(rng.uniform(2e-4, 3e-3)), float(rng.uniform(0.5, 1.8)), n
            )
            stalls = np.minimum(rng.pareto(1.5, n) * 0.05, 5.0)
            return np.asarray(body + np.where(rng.random(n) < 0.01, stalls, 0.0))
        case "adapter of 16 ms":
            return np.asarray(rng.uniform(0.0, 0.016, n) + float(rng.uniform(0.0, 5e-4)))
        case "steps":
            step = float(rng.uniform(2e-3, 30e-3) * rng.choice([-1.0, 1.0]))
            late = t > float(rng.uniform(0.2, 0.8)) * span
            return usual + np.where(late, max(step, 0.0), max(-step, 0.0))
    return usual


def fitted(drawn: Drawn) -> TickFit:
    return fit_ticks(drawn.ticks, drawn.received_s, tick_hz=HZ, resolution_s=drawn.resolution_s)


@pytest.mark.slow
@pytest.mark.parametrize("group", GROUPS)
def test_the_stated_interval_holds_the_truth(group: str) -> None:
    rng = np.random.default_rng(GROUPS.index(group))
    held, n, speed_held = 0, 60, 0
    for _ in range(n):
        drawn = draw(rng, group)
        fit = fitted(drawn)
        found = fit.time_s(drawn.ticks)
        held += bool(np.mean(np.abs(found - drawn.t_s) <= 2.0 * fit.u_s) >= 0.95)
        # Over the whole start a wheel's mean speed is as wrong as its time between the ends.
        took, true = found[-1] - found[0], drawn.t_s[-1] - drawn.t_s[0]
        speed_held += bool(abs(took / true - 1.0) <= 2.0 * np.sqrt(2.0) * fit.u_s / true)
    assert held / n >= 0.93
    assert speed_held / n >= 0.93


@pytest.mark.slow
@pytest.mark.parametrize("rate", [0.005, -0.02, 0.05])
def test_a_rate_no_crystal_has_is_found_told_and_followed(rate: float) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 600.0, 0.02)
    ticks = np.floor(t * (1.0 + rate) * HZ).astype(np.uint64)
    fit = fit_ticks(ticks, t + rng.exponential(2e-4, len(t)), tick_hz=HZ)
    assert fit.drift_ppm / 1e6 == pytest.approx(rate, abs=2e-6)
    assert np.abs(fit.time_s(ticks) - t).max() < 1e-3
    (words,) = fit.findings
    assert ("fast" if rate > 0.0 else "slow") in words
    assert f"{100 * abs(rate):.3g} %" in words


def test_a_crystal_is_not_told() -> None:
    t = np.arange(0.0, 300.0, 0.02)
    ticks = np.floor(t * (1.0 + 150e-6) * HZ).astype(np.uint64)
    assert fit_ticks(ticks, t + 1e-3, tick_hz=HZ).findings == ()


def test_a_constant_latency_is_inside_the_uncertainty_and_a_stated_one_is_taken_off() -> None:
    t = np.arange(0.0, 300.0, 0.02)
    late = t + 0.0008 + np.random.default_rng(1).exponential(2e-5, len(t))
    fit = fit_ticks((t * HZ).astype(np.uint64), late, tick_hz=HZ)
    assert np.abs(fit.time_s((t * HZ).astype(np.uint64)) - t).max() < 2.0 * fit.u_s
    stated = fit_ticks(
        (t * HZ).astype(np.uint64), late, tick_hz=HZ, latency_s=0.0008, u_latency_s=1e-5
    )
    assert np.abs(stated.time_s((t * HZ).astype(np.uint64)) - t).max() < 5e-5
    assert stated.u_s < 5e-5


@pytest.mark.parametrize("step_s", [0.004, -0.012])
def test_a_step_of_the_least_latency_is_found_told_and_covered(step_s: float) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 600.0, 0.02)
    late = rng.exponential(2e-4, len(t)) + np.where(t > 240.0, step_s, 0.0) + 0.012
    ticks = (t * HZ).astype(np.uint64)
    fit = fit_ticks(ticks, t + late, tick_hz=HZ, latency_s=0.012 + min(step_s, 0.0))
    ((at_s, found_s),) = fit.floor_steps
    assert found_s == pytest.approx(step_s, abs=5e-4)
    assert at_s == pytest.approx(240.0, abs=30.0)
    assert "least latency stepped" in " ".join(fit.findings)
    assert np.abs(fit.time_s(ticks) - t).max() < 2.0 * fit.u_s


@pytest.mark.slow
@pytest.mark.parametrize("rate", [0.005, -0.01, 0.02, -0.05])
def test_the_live_line_is_right_after_ten_seconds_at_any_rate(rate: float) -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 60.0, 0.02)
    received = np.maximum.accumulate(t + rng.exponential(2e-4, len(t)))
    clock = LiveTickClock(HZ)
    error, slope = np.empty(len(t)), np.empty(len(t))
    for i, (true, got) in enumerate(zip(t.tolist(), received.tolist(), strict=True)):
        tick = int(true * (1.0 + rate) * HZ)
        line = clock.update(tick, got)
        error[i] = line.time_s(np.array([tick], np.uint64))[0] - true
        slope[i] = line.s_per_tick * HZ * (1.0 + rate) - 1.0
    settled = t > 12.0
    assert np.abs(error[settled]).max() < 0.002
    assert abs(slope[settled].mean()) < 2e-4
    assert 1.0 / (1.0 + clock.rate) - 1.0 == pytest.approx(rate, abs=1e-4)
    assert abs(clock.rate) > 3.0 * clock.u_rate + 200e-6


def test_an_unpaced_feed_goes_by_its_own_ticks() -> None:
    clock = NominalTickClock(HZ)
    clock.update(1_000_000, 0.5)
    line = clock.update(61_000_000, 0.6)
    assert line.time_s(np.array([61_000_000], np.uint64))[0] == pytest.approx(60.5)


def test_an_edge_of_few_values_is_level() -> None:
    edge = lower_edge(np.array([0.0, 10.0]), np.array([0.3, 0.1]))
    assert edge.rate == 0.0
    assert edge.late_s.tolist() == [0.1, 0.1]


@pytest.mark.parametrize("step_s", [0.0, 0.005])
@pytest.mark.parametrize("seed", range(6))
def test_a_busy_machine_and_a_step_are_not_another_rate(seed: int, step_s: float) -> None:
    """Twenty seconds, held up now and then by milliseconds for a second or two: a crystal's."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 20.0, 0.02)
    busy = np.interp(t, np.arange(21.0), rng.pareto(1.5, 21) * 5e-4)
    late = rng.exponential(2e-4, len(t)) + busy + np.where(t > 10.0, step_s, 0.0)
    ticks = np.floor(t * (1.0 + 2e-5) * HZ).astype(np.uint64)
    fit = fit_ticks(ticks, t + late, tick_hz=HZ)
    assert np.mean(np.abs(fit.time_s(ticks) - t) <= 2.0 * fit.u_s) >= 0.95
    assert abs(fit.drift_ppm - 20.0) <= 3.0 * fit.u_drift_ppm
    assert not any("its clock runs" in words for words in fit.findings)
