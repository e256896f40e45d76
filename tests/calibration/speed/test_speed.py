"""Speed against wheels of our own making, and the counting figures of the trade."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificates.wheel import WheelCertificate
from calibration.quantities import flags as flag_bits
from calibration.speed.pulses import (
    encoder_pattern,
    find_edges,
)
from calibration.speed.result import SpeedResult
from calibration.speed.speed import speed_from_pulses
from tests.calibration.speed.made_rides import KM_H, RECORD, WHEEL, disc, ride


def own_u(found: SpeedResult, wheel: WheelCertificate = WHEEL) -> np.ndarray:
    """Uncertainty without the circumference, which the drawn wheel has right."""
    share = wheel.u_circumference_m / wheel.circumference_m
    return np.asarray(np.sqrt(np.maximum(found.u_m_s**2 - (found.speed_m_s * share) ** 2, 0)))


@pytest.mark.parametrize("ppr", [60, 200, 500])
@pytest.mark.parametrize("speed", [0.1, 0.5, 5.0, 20.0, 55.6])
def test_steady_speed_from_a_crawl_to_200_km_h(speed: float, ppr: int) -> None:
    """Within 0.05 km/h or 0.1 %, without the staircase."""
    wheel = replace(WHEEL, pulses_per_revolution=ppr)
    t, records = ride(np.full(9000, speed), wheel=wheel, spacing=0.02, eccentric=0.02)
    found = speed_from_pulses(records, t, wheel)
    error = found.speed_m_s[600:-600] - speed
    assert np.abs(error).max() < max(0.05 * KM_H, 0.001 * speed)
    assert np.mean(np.abs(error) <= 2.0 * own_u(found, wheel)[600:-600]) >= 0.95
    assert not found.flags.any()


def test_the_stated_uncertainty_holds_over_a_run() -> None:
    """Half an hour of changing speed: 95 % within twice u, and u is no idle boast."""
    t = np.arange(0, 1800, 0.01)
    speed = 14.0 + 9.0 * np.sin(t / 400.0) + 2.0 * np.sin(t / 41.0)
    t, records = ride(speed, spacing=0.03, eccentric=0.1)
    found = speed_from_pulses(records, t, WHEEL)
    inner = slice(300, -300)
    error = (found.speed_m_s - speed)[inner]
    u = own_u(found)[inner]
    assert np.mean(np.abs(error) <= 2.0 * u) >= 0.95
    assert u.mean() < 0.05 * KM_H
    share = WHEEL.u_circumference_m / WHEEL.circumference_m
    assert np.all(found.u_m_s[inner] >= share * found.speed_m_s[inner])
    true = (9.0 / 400.0) * np.cos(t / 400.0) + (2.0 / 41.0) * np.cos(t / 41.0)
    off = (found.acceleration_m_s2 - true)[inner]
    assert np.mean(np.abs(off) <= 2.0 * found.u_acceleration_m_s2[inner]) >= 0.95
    assert np.abs(off).max() < 0.01


@pytest.mark.parametrize("many", [1, 2, 50])
def test_a_stretch_without_any_time_has_no_speed(many: int) -> None:
    """After a restart, times that would run back are held at the last one before."""
    t, records = ride(np.full(300, 10.0))
    found = speed_from_pulses(records[200 : 200 + many], np.full(many, t[200]), WHEEL)
    assert np.isnan(found.speed_m_s).all()


def test_unevenness_of_the_encoder_is_found_and_taken_off() -> None:
    wheel = replace(WHEEL, pulses_per_revolution=60)
    true = np.linspace(8, 16, 60_000)
    t, records = ride(true, wheel=wheel, spacing=0.05, eccentric=0.3)
    found = speed_from_pulses(records, t, wheel)
    drawn = disc(60, spacing=0.05, eccentric=0.3, seed=0)
    # The count began at 1000.
    lines = (np.arange(60) - 1000) % 60
    assert found.pattern_pulses is not None
    assert np.abs(found.pattern_pulses - drawn[lines]).max() < 0.03
    flat = speed_from_pulses(records, t, wheel, pattern_pulses=np.zeros(60))
    inner = slice(300, -300)
    assert (found.speed_m_s - true)[inner].std() < 0.2 * (flat.speed_m_s - true)[inner].std()
    # A short stretch of the same start takes the pattern of the long one.
    short = speed_from_pulses(
        records[:2000], t[:2000], wheel, pattern_pulses=found.pattern_pulses
    )
    assert np.allclose(short.speed_m_s[300:1700], found.speed_m_s[300:1700], atol=1e-3)


def test_a_short_run_shows_no_pattern() -> None:
    t, records = ride(np.full(2000, 10.0))
    edges = find_edges(records["tick"], records["edge_tick"], records["count"], t)
    assert encoder_pattern(edges.t_s, edges.line, 200) is None


def test_a_run_with_starts_and_stops() -> None:
    parts = [np.zeros(1500), np.linspace(0, 12, 3000), np.full(3000, 12.0)]
    middle = [np.linspace(12, 0, 3000), np.zeros(2000), np.linspace(0, 2, 1000)]
    speed = np.concatenate([*parts, *middle, np.linspace(2, 0, 800), np.zeros(1500)])
    t, records = ride(speed)
    found = speed_from_pulses(records, t, WHEEL)
    assert np.abs(found.speed_m_s - speed).max() < 0.1
    standing = np.concatenate((np.arange(0, 1400), np.arange(10_700, 12_400)))
    assert np.all(found.speed_m_s[standing] == 0.0)
    assert np.all(found.u_m_s[standing] > 0.0)
    assert np.abs(found.acceleration_m_s2[2200:4200] - 0.4).max() < 0.02
    assert np.isfinite(found.speed_m_s).all()
    assert np.all(found.speed_m_s >= 0.0)


def test_speed_decays_within_one_pulse_of_the_last_edge() -> None:
    """Records end three seconds into a stop: at most one uneven pulse over the silence."""
    t, records = ride(np.concatenate([np.full(1000, 2.0), np.zeros(300)]))
    found = speed_from_pulses(records, t, WHEEL)
    since = (records["tick"] - records["edge_tick"]).astype(np.float64)[1100:] / 1e6
    assert np.all(found.speed_m_s[1100:] <= 1.2 * WHEEL.m_per_pulse / since + 1e-9)


def test_backward_is_negative() -> None:
    t, records = ride(np.full(3000, -3.0))
    found = speed_from_pulses(records, t, WHEEL)
    assert found.speed_m_s[1500] == pytest.approx(-3.0, abs=0.01)
    assert np.all(found.speed_m_s[300:-300] < 0.0)


def test_a_set_back_passes_through_zero() -> None:
    """Forward, a stand of ten seconds, back the same way: the way out is the way back."""
    _, out = ride(np.full(2000, 4.0), spacing=0.0)
    standing = np.repeat(out[-1:], 1000)
    standing["tick"] += (np.arange(1000) + 1).astype(np.uint64) * np.uint64(10_000)
    back = out.copy()
    back["count"] = out["count"][-1] - (out["count"] - 1000)
    for field in ("tick", "edge_tick"):
        back[field] += standing["tick"][-1] - np.uint64(5_000_000 - 10_000)
    records = np.concatenate((out, standing, back))
    t = (records["tick"] - np.uint64(5_000_000)).astype(np.float64) / 1e6
    found = speed_from_pulses(records, t, WHEEL)
    assert found.speed_m_s[300:1900] == pytest.approx(4.0, abs=0.01)
    assert np.all(found.speed_m_s[2200:2800] == 0.0)
    assert found.speed_m_s[3100:4700] == pytest.approx(-4.0, abs=0.01)
    assert not found.flags.any()
    assert abs(int(records["count"][-1]) - int(records["count"][0])) < 2


def test_rocking_at_a_stand_is_no_way() -> None:
    """The wheel stands on a line and trembles: the same line forward and back."""
    records = np.zeros(3000, RECORD)
    records["tick"] = 1_000_000 + np.arange(3000) * 10_000
    tremble = np.arange(3000) // 130 % 2
    records["count"] = 5000 + tremble
    changed = np.diff(tremble, prepend=0) != 0
    held = np.maximum.accumulate(np.where(changed, records["tick"].astype(np.int64) - 4000, 0))
    records["edge_tick"] = held
    found = speed_from_pulses(records, np.arange(3000) / 100.0, WHEEL)
    assert np.abs(found.speed_m_s).max() < 0.001
    assert not found.flags.any()


def test_standing_all_along() -> None:
    records = np.zeros(2000, RECORD)
    records["tick"] = np.arange(2000) * 10_000 + 1
    t = np.arange(2000) / 100.0
    found = speed_from_pulses(records, t, WHEEL)
    assert found.speed_m_s.tolist() == [0.0] * 2000
    assert (found.u_m_s > 0).all()
    assert np.abs(found.acceleration_m_s2).max() == 0.0
    # Three seconds are too few to say so.
    assert np.isnan(speed_from_pulses(records[:300], t[:300], WHEEL).speed_m_s).all()


def test_missing_frames_leave_both_sides_right() -> None:
    """Twenty seconds of frames lost while the train brakes: no smear into either side."""
    speed = np.concatenate([np.full(2000, 20.0), np.linspace(20, 8, 2000), np.full(2000, 8.0)])
    t, records = ride(speed)
    heard = (t < 20.0) | (t > 40.0)
    found = speed_from_pulses(records[heard], t[heard], WHEEL)
    assert np.abs(found.speed_m_s - speed[heard]).max() < 0.05
    assert not found.flags.any()


def test_blocks_of_a_long_run_join_without_a_seam() -> None:
    """Worked in blocks of 16 384 records; a run cut elsewhere has the same speeds there."""
    rng = np.random.default_rng(2)
    speed = np.clip(np.cumsum(rng.normal(0, 0.002, 40_000)) + 0.4, 0.02, 1.0)
    t, records = ride(speed)
    whole = speed_from_pulses(records, t, WHEEL, pattern_pulses=np.zeros(200)).speed_m_s
    for cut in (12_000, 20_000):
        part = speed_from_pulses(records[cut:], t[cut:], WHEEL, pattern_pulses=np.zeros(200))
        assert np.allclose(part.speed_m_s[1000:], whole[cut + 1000 :], atol=1e-6)


@pytest.mark.parametrize("change", [-1, 1])
@pytest.mark.parametrize("speed", [0.3, 1.0, 20.0, 50.0])
def test_missed_and_doubled_pulses_are_found(speed: float, change: int) -> None:
    """Flagged where they are, and no bump is left in the speed."""
    t, records = ride(np.full(6000, speed))
    # At an edge: that is where a pulse is missed or counted twice.
    at = 3000 + int(np.flatnonzero(np.diff(records["count"][2999:]))[0])
    records["count"][at:] += change
    found = speed_from_pulses(records, t, WHEEL)
    flagged = np.flatnonzero(found.flags & flag_bits.SUSPECT)
    assert at - 5 <= flagged.min() <= flagged.max() <= at + 25
    assert np.abs(found.speed_m_s[300:-300] - speed).max() < 0.05 * KM_H


@settings(max_examples=30, deadline=None)
@given(st.floats(0.5, 50.0), st.floats(-0.6, 0.6), st.integers(0, 2**31))
def test_even_running_is_never_suspect(speed: float, rate: float, seed: int) -> None:
    run = np.maximum(speed + rate * np.arange(2000) / 100.0, 0.3)
    t, records = ride(run, seed=seed)
    assert not speed_from_pulses(records, t, WHEEL).flags.any()


def test_finer_than_both_counting_ways() -> None:
    """36 in wheel, 60 pulses, 30 mph, an even encoder: far below the ±3.57 % of counting over
    0.1 s and below the ±0.028 % of one period (computed)."""
    wheel = replace(WHEEL, pulses_per_revolution=60)
    speed = 30 * 0.44704
    t, records = ride(np.full(3000, speed), wheel=wheel, spacing=0.0)
    found = speed_from_pulses(records, t, wheel)
    assert np.abs(found.speed_m_s[100:-100] / speed - 1.0).max() < 0.5 * 0.000280


@pytest.mark.parametrize(
    ("seconds", "mph"),
    [(120, 30), (90, 40), (80, 45), (72, 50), (60, 60), (55.4, 65), (51.4, 70), (48, 75)],
)
def test_milepost_timing_table(seconds: float, mph: float) -> None:
    """A mile in so many seconds (a North American train-travel guide's table) on our wheel."""
    t, records = ride(np.full(3000, 1609.344 / seconds))
    found = speed_from_pulses(records, t, WHEEL)
    assert found.speed_m_s[1500] / 0.44704 == pytest.approx(mph, rel=1.5e-3)


def test_wrong_input_is_refused() -> None:
    t, records = ride(np.full(100, 5.0))
    with pytest.raises(ValueError, match="one a record"):
        speed_from_pulses(records, t[:-1], WHEEL)
    with pytest.raises(ValueError, match="never fall"):
        speed_from_pulses(records, t[::-1], WHEEL)
    with pytest.raises(ValueError, match="finite"):
        speed_from_pulses(records, np.where(t == t[50], np.nan, t), WHEEL)
    with pytest.raises(ValueError, match="one entry a pulse"):
        speed_from_pulses(records, t, WHEEL, pattern_pulses=np.zeros(3))


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**31), st.integers(0, 60), st.sampled_from([2, 10, 10**6, 2**40]))
def test_nonsense_records_give_an_answer(seed: int, n: int, wide: int) -> None:
    """Edges after their frames, ticks that stand, counts that leap: numbers or NaN, no fall."""
    rng = np.random.default_rng(seed)
    records = np.zeros(n, RECORD)
    records["tick"] = np.cumsum(rng.integers(0, 20_000, n))
    if seed % 3 == 0:
        records["edge_tick"] = rng.integers(0, 2**63, n)
    else:
        records["edge_tick"] = records["tick"] // (seed % 3)
    records["count"] = np.cumsum(rng.integers(-wide, wide, n))
    t = np.cumsum(rng.uniform(0, 0.02, n))
    found = speed_from_pulses(records, t, WHEEL)
    for values in (found.speed_m_s, found.u_m_s, found.acceleration_m_s2, found.flags):
        assert len(values) == n
    assert not np.isinf(found.speed_m_s).any()
