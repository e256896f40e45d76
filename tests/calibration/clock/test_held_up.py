"""A line that stalls and drains, or falls behind and catches up, moves no time and no rate."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.clock.live_tick_clock import LiveTickClock
from calibration.clock.ticks_to_run_time import fit_ticks

HZ = 1e6


def sent(span_s: float, rate: float = 0.0) -> tuple[NDArray[np.float64], NDArray[np.uint64]]:
    t = np.arange(0.0, span_s, 0.02)
    return t, np.floor(t * (1.0 + rate) * HZ).astype(np.uint64) + np.uint64(10**6)


def stalled(t: NDArray[np.float64], at_s: float, lasts_s: float) -> NDArray[np.float64]:
    """Nothing from ``at_s`` on for so long; then all of it, fifty times as fast as it was sent."""
    back = at_s + lasts_s
    held = (t >= at_s) & (t < back)
    received = t + np.random.default_rng(1).exponential(2e-4, len(t))
    received[held] = back + (t[held] - at_s) / 50.0
    return np.maximum.accumulate(received)


def behind(t: NDArray[np.float64], at_s: float, share: float, s: float) -> NDArray[np.float64]:
    """From ``at_s`` on for ``s`` seconds the backlog grows by ``share``; then it drains."""
    late = np.clip(t - at_s, 0.0, s) * share
    end = at_s + s
    late = np.where(t > end, np.maximum(share * s - 5.0 * (t - end), 0.0), late)
    return np.maximum.accumulate(t + late + np.random.default_rng(2).exponential(2e-4, len(t)))


@pytest.mark.slow
@pytest.mark.parametrize("rate", [0.0, 40e-6, 0.02])
@pytest.mark.parametrize(
    ("span_s", "at_s", "lasts_s"),
    [(10.0, 0.0, 8.0), (60.0, 12.0, 24.0), (60.0, 5.0, 10.0), (600.0, 100.0, 50.0),
     (120.0, 20.0, 90.0), (3600.0, 1000.0, 300.0)],
)  # fmt: skip
def test_a_stall_that_drains(rate: float, span_s: float, at_s: float, lasts_s: float) -> None:
    t, ticks = sent(span_s, rate)
    fit = fit_ticks(ticks, stalled(t, at_s, lasts_s), tick_hz=HZ)
    error = fit.time_s(ticks) - t
    assert np.abs(error).max() <= 2.0 * fit.u_s
    assert np.abs(error).max() < 0.01
    assert fit.drift_ppm / 1e6 == pytest.approx(rate, abs=2e-4)
    assert "held up" in " ".join(fit.findings)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("span_s", "at_s", "share", "s"),
    [(60.0, 15.0, 0.1, 40.0), (3600.0, 900.0, 0.02, 600.0), (600.0, 60.0, 0.5, 60.0)],
)
def test_a_backlog_that_grows_and_drains(
    span_s: float, at_s: float, share: float, s: float
) -> None:
    t, ticks = sent(span_s)
    fit = fit_ticks(ticks, behind(t, at_s, share, s), tick_hz=HZ)
    error = fit.time_s(ticks) - t
    assert np.abs(error).max() <= max(2.0 * fit.u_s, 0.01)
    assert abs(fit.drift_ppm) < 200.0


@pytest.mark.slow
@pytest.mark.parametrize(("at_s", "lasts_s"), [(5.0, 10.0), (10.0, 20.0), (30.0, 50.0)])
def test_the_live_line_after_a_stall(at_s: float, lasts_s: float) -> None:
    t, ticks = sent(at_s + lasts_s + 60.0)
    received = stalled(t, at_s, lasts_s)
    clock = LiveTickClock(HZ)
    error = np.empty(len(t))
    for i, (tick, got) in enumerate(zip(ticks.tolist(), received.tolist(), strict=True)):
        line = clock.update(tick, got)
        error[i] = line.time_s(np.array([tick], np.uint64))[0] - t[i]
    assert np.abs(error[t > at_s + lasts_s + 1.0]).max() < 0.01
    assert abs(clock.rate) < 200e-6


@pytest.mark.slow
@pytest.mark.parametrize("pace", [10.0, 0.2])
def test_ticks_no_clock_can_have_kept_show_live(pace: float) -> None:
    t = np.arange(0.0, 90.0 / min(pace, 1.0), 0.05)
    clock = LiveTickClock(HZ)
    for true in t.tolist():
        clock.update(int(true * pace * HZ), true + 1e-3)
    assert clock.pace_beyond == pytest.approx(pace, rel=0.02)


@pytest.mark.slow
def test_a_stall_is_no_pace() -> None:
    t, ticks = sent(150.0)
    clock = LiveTickClock(HZ)
    for tick, got in zip(ticks.tolist(), stalled(t, 12.0, 30.0).tolist(), strict=True):
        clock.update(tick, got)
        assert clock.pace_beyond is None


def test_blocks_that_all_came_at_once_are_no_division_by_nothing() -> None:
    ticks = (np.arange(40) * HZ).astype(np.uint64)
    received = np.where(np.arange(40) < 32, 32.0, np.arange(40.0))
    fit = fit_ticks(ticks, received, tick_hz=HZ)
    times = fit.time_s(ticks)
    assert np.isfinite(times).all()
    assert np.all(np.diff(times) >= 0.0)


def test_receipts_that_fall_do_not_turn_time_round() -> None:
    ticks = (np.arange(200) * HZ).astype(np.uint64)
    fit = fit_ticks(ticks, 300.0 - np.arange(200.0), tick_hz=HZ)
    assert np.all(np.diff(fit.time_s(ticks)) >= 0.0)
