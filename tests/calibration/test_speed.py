"""Speed against wheels of our own making, and the counting figures of the trade."""

from datetime import date

import numpy as np
import pytest

from calibration import flags as flag_bits
from calibration.clock import ClockLine
from calibration.speed import LiveSpeed, flag_slip, period_resolution, speed_from_pulses
from calibration.wheel import WheelCertificate

RECORD = np.dtype([("tick", "<u8"), ("edge_tick", "<u8"), ("count", "<i8")])
WHEEL = WheelCertificate(
    certificate_id="w",
    issued=date(2026, 1, 1),
    expires=None,
    wheel="test",
    circumference_m=2.872672,
    u_circumference_m=0.0005,
    pulses_per_revolution=200,
)


def ride(
    speed_m_s: np.ndarray, *, spacing: float = 0.03, seed: int = 0
) -> tuple[np.ndarray, ...]:
    """Records at 100 a second of a wheel whose pulses are unevenly spaced (sd in pulses)."""
    rng = np.random.default_rng(seed)
    n = len(speed_m_s)
    t = np.arange(n) / 100.0
    fine_t = np.arange(n * 50) / 5000.0
    fine_v = np.interp(fine_t, t, speed_m_s)
    turned = np.cumsum(fine_v) / 5000.0 / WHEEL.m_per_pulse
    uneven = rng.normal(0, spacing, WHEEL.pulses_per_revolution)
    pulse = np.arange(1, int(np.abs(turned).max()))
    reach = np.maximum.accumulate(np.abs(turned) + np.arange(len(turned)) * 1e-12)
    edges = np.interp(pulse + uneven[pulse % 200], reach, fine_t) + rng.normal(
        0, 2e-6, len(pulse)
    )
    count = np.searchsorted(edges, t, side="right")
    last = np.where(count > 0, edges[np.maximum(count - 1, 0)], 0.0)
    records = np.zeros(n, RECORD)
    records["tick"] = np.round(t * 1e6) + 5_000_000
    records["edge_tick"] = np.round(last * 1e6) + 5_000_000
    records["count"] = count * (-1 if turned[-1] < 0 else 1) + 1000
    return t, records


@pytest.mark.parametrize("speed", [0.1, 0.5, 5.0, 20.0, 55.6])
def test_steady_speed_from_a_crawl_to_200_km_h(speed: float) -> None:
    """Within 0.05 km/h or 0.1 %, without the staircase."""
    t, records = ride(np.full(9000, speed))
    found = speed_from_pulses(records, t, WHEEL)
    error = found.speed_m_s[300:-300] - speed
    assert np.abs(error).max() < max(0.05 / 3.6, 0.001 * speed)
    own = np.sqrt(
        np.maximum(found.u_m_s[300:-300] ** 2 - (speed * 0.0005 / 2.872672) ** 2, 0.0)
    )
    assert np.mean(np.abs(error) <= 2.0 * own) >= 0.9


def test_a_run_with_starts_and_stops() -> None:
    parts = [np.zeros(1500), np.linspace(0, 12, 3000), np.full(3000, 12.0)]
    speed = np.concatenate([*parts, np.linspace(12, 0, 3000), np.zeros(1500)])
    t, records = ride(speed)
    found = speed_from_pulses(records, t, WHEEL)
    assert np.abs(found.speed_m_s - speed).max() < 0.15
    assert found.speed_m_s[700] == 0.0
    assert found.speed_m_s[-200] == 0.0
    middle = slice(2200, 4200)
    assert np.abs(found.acceleration_m_s2[middle] - 0.4).max() < 0.02


def test_backward_is_negative() -> None:
    t, records = ride(np.full(3000, -3.0))
    found = speed_from_pulses(records, t, WHEEL)
    assert found.speed_m_s[1500] == pytest.approx(-3.0, abs=0.02)


def test_standing_all_along() -> None:
    records = np.zeros(2000, RECORD)
    records["tick"] = np.arange(2000) * 10_000 + 1
    t = np.arange(2000) / 100.0
    found = speed_from_pulses(records, t, WHEEL)
    assert found.speed_m_s.tolist() == [0.0] * 2000
    assert (found.u_m_s > 0).all()


@pytest.mark.parametrize("change", [-1, 1])
def test_missed_and_doubled_pulses_are_found(change: int) -> None:
    t, records = ride(np.full(4000, 20.0))
    records["count"][2000:] += change
    found = speed_from_pulses(records, t, WHEEL)
    assert found.suspect_pulses >= 1
    flagged = np.flatnonzero(found.flags & flag_bits.SUSPECT)
    assert 1995 <= flagged.min() <= flagged.max() <= 2005
    clean = speed_from_pulses(ride(np.full(4000, 20.0))[1], t, WHEEL)
    assert clean.suspect_pulses == 0


def test_slip_and_slide_against_gnss() -> None:
    wheel = np.array([10.0, 14.0, 4.0, 10.2, 10.0])
    gnss = np.array([10.0, 10.0, 10.0, 10.0, np.nan])
    found = flag_slip(wheel, np.full(5, 0.01), gnss)
    assert found.tolist() == [0, 1, -1, 0, 0]


def test_counting_figures() -> None:
    """36 in wheel, 60 pulses, 30 mph: 280.11 Hz; ±3.57 % over 0.1 s, ±0.0280 % by one period
    of a 1 MHz clock; equal at 1000 Hz for a gate of one second (computed)."""
    gate, period = period_resolution(280.1127, clock_hz=1e6, gate_s=0.1)
    assert gate == pytest.approx(0.0357, abs=1e-4)
    assert period == pytest.approx(0.000280, abs=1e-6)
    both = period_resolution(1000.0, clock_hz=1e6, gate_s=1.0)
    assert both[0] == pytest.approx(both[1])


def test_live_speed_agrees_and_stops() -> None:
    speed = np.concatenate([np.full(2000, 8.0), np.zeros(1000)])
    _, records = ride(speed)
    live = LiveSpeed(WHEEL)
    line = ClockLine(5_000_000, 0.0, 1e-6)
    found = [live.update(records[i : i + 2], line) for i in range(0, 3000, 2)]
    assert found[800] == pytest.approx(8.0, abs=0.05)
    assert found[-1] == 0.0
