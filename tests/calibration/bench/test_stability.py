from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.bench.stability import SignalWindow, StabilityLimits
from calibration.certificates.force import RAILS_24_BIT

LIMITS = StabilityLimits(window_s=5.0, drift_counts=50.0, noise_counts=20.0)


def fed(values: np.ndarray, rate_hz: float = 100.0) -> SignalWindow:
    window = SignalWindow()
    t = np.arange(len(values)) / rate_hz
    for i in range(0, len(values), 20):
        window.feed(t[i : i + 20], values[i : i + 20])
    return window


def test_a_still_signal_is_stable() -> None:
    noise = np.random.default_rng(1).normal(0.0, 10.0, 1000)
    verdict = fed(5000.0 + noise).judge(LIMITS, RAILS_24_BIT)
    assert verdict.stable
    assert verdict.reason == "stable"
    assert verdict.mean == pytest.approx(5000.0, abs=2.0)
    assert verdict.noise_sd == pytest.approx(10.0, rel=0.1)


def test_a_drifting_signal_is_told_by_its_slope() -> None:
    verdict = fed(np.arange(1000) * 0.3).judge(LIMITS, RAILS_24_BIT)
    assert not verdict.stable
    assert verdict.slope_per_s == pytest.approx(30.0, rel=1e-6)
    assert "drifting 150 counts (limit 50)" in verdict.reason


def test_a_noisy_signal_is_told_by_its_noise() -> None:
    verdict = fed(np.random.default_rng(1).normal(0.0, 100.0, 1000)).judge(LIMITS, RAILS_24_BIT)
    assert not verdict.stable
    assert "noise" in verdict.reason


def test_a_window_not_filled_yet_is_watched() -> None:
    assert "no counts yet" in SignalWindow().judge(LIMITS, RAILS_24_BIT).reason
    verdict = fed(np.zeros(200)).judge(LIMITS, RAILS_24_BIT)
    assert not verdict.stable
    assert verdict.reason.startswith("watching: 2.0 of 5 s")


def test_a_restart_of_the_clock_begins_afresh() -> None:
    window = fed(np.zeros(1000))
    window.feed(np.array([0.0, 0.01]), np.array([9.0, 9.0]))
    assert window.latest_s == 0.01
    found = window.mean(0.0, 1.0)
    assert found is not None
    assert (found.n, found.mean) == (2, 9.0)


def test_old_counts_are_forgotten() -> None:
    window = SignalWindow(keep_s=2.0)
    for i in range(100):
        window.feed(np.array([float(i)]), np.array([float(i)]))
    assert window.mean(0.0, 50.0) is None
    found = window.mean(0.0, 99.0)
    assert found is not None
    assert found.n <= 4


def test_mean_of_a_stretch() -> None:
    found = fed(np.arange(1000.0)).mean(1.0, 2.0)
    assert found is not None
    assert (found.n, found.mean, found.low, found.high) == (101, 150.0, 100.0, 200.0)
    assert found.sd == pytest.approx(np.std(np.arange(101), ddof=1))
    assert found.seconds == pytest.approx(1.0)


@pytest.mark.parametrize("rail", RAILS_24_BIT)
@pytest.mark.parametrize("n", [1, 1000])
def test_a_converter_at_its_rail_is_never_still(rail: int, n: int) -> None:
    """An overloaded converter stands perfectly still: one count at the rail is enough."""
    values = np.full(1000, 5000.0)
    values[-n:] = rail
    verdict = fed(values).judge(LIMITS, RAILS_24_BIT)
    assert not verdict.stable
    assert verdict.at_rail
    assert "rail" in verdict.reason


def test_counts_that_never_change_are_seen() -> None:
    assert fed(np.full(1000, 7.0)).judge(LIMITS, RAILS_24_BIT).stuck
    flicker = 7.0 + (np.arange(1000) == 990)
    assert not fed(flicker).judge(LIMITS, RAILS_24_BIT).stuck


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan, math.inf])
def test_limits_must_make_sense(wrong: float) -> None:
    with pytest.raises(ValueError, match="drift_counts"):
        StabilityLimits(drift_counts=wrong)
