"""Speed against wheels of our own making, and the counting figures of the trade."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from calibration.certificates.wheel import WheelCertificate
from calibration.clock.tick_line import TickLine
from calibration.quantities import flags as flag_bits
from calibration.speed.local_lines import line_slopes
from calibration.speed.pulses import (
    distance_from_counts,
    encoder_pattern,
    find_edges,
    odd_steps,
)
from calibration.speed.speed import (
    LiveSpeed,
    SpeedResult,
    flag_slip,
    period_resolution,
    slip_against_gnss,
    speed_from_pulses,
)

RECORD = np.dtype([("tick", "<u8"), ("edge_tick", "<u8"), ("count", "<i8")])
KM_H = 1 / 3.6
WHEEL = WheelCertificate(
    certificate_id="w",
    issued=date(2026, 1, 1),
    expires=None,
    wheel="test",
    circumference_m=2.872672,
    u_circumference_m=0.0005,
    pulses_per_revolution=200,
)


def disc(ppr: int, *, spacing: float, eccentric: float, seed: int) -> np.ndarray:
    """Place of each line less its even place, in pulses: white, and once a turn."""
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * np.arange(ppr) / ppr
    uneven = rng.normal(0, spacing, ppr) + eccentric * np.sin(turn + rng.uniform(0, 6))
    return np.asarray(uneven - uneven.mean())


def ride(
    speed_m_s: np.ndarray,
    *,
    wheel: WheelCertificate = WHEEL,
    spacing: float = 0.03,
    eccentric: float = 0.0,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    """Records at 100 a second of a wheel with an uneven encoder; one way only."""
    rng = np.random.default_rng(seed + 1)
    n, ppr = len(speed_m_s), wheel.pulses_per_revolution
    t = np.arange(n) / 100.0
    fine_t = np.arange(n * 50) / 5000.0
    way = np.abs(np.cumsum(np.interp(fine_t, t, speed_m_s))) / 5000.0 / wheel.m_per_pulse
    pulse = np.arange(1, int(way.max()))
    uneven = disc(ppr, spacing=spacing, eccentric=eccentric, seed=seed)
    reach = way + np.arange(len(way)) * 1e-12
    edges = np.interp(pulse + uneven[pulse % ppr], reach, fine_t)
    edges += rng.normal(0, 2e-6, len(pulse))
    count = np.searchsorted(edges, t, side="right")
    last = np.where(count > 0, edges[np.maximum(count - 1, 0)], 0.0)
    records = np.zeros(n, RECORD)
    records["tick"] = np.round(t * 1e6) + 5_000_000
    records["edge_tick"] = np.round(last * 1e6) + 5_000_000
    records["count"] = count * (-1 if speed_m_s.sum() < 0 else 1) + 1000
    return t, records


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
    assert found.suspect_pulses == 0


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
    assert found.suspect_pulses == 0
    distance, _ = distance_from_counts(records["count"], WHEEL)
    assert abs(distance[-1]) < 2.0 * WHEEL.m_per_pulse


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
    assert found.suspect_pulses == 0


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
    assert found.suspect_pulses == 0


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
    assert found.suspect_pulses == 1
    flagged = np.flatnonzero(found.flags & flag_bits.SUSPECT)
    assert at - 5 <= flagged.min() <= flagged.max() <= at + 25
    assert np.abs(found.speed_m_s[300:-300] - speed).max() < 0.05 * KM_H


@settings(max_examples=30, deadline=None)
@given(st.floats(0.5, 50.0), st.floats(-0.6, 0.6), st.integers(0, 2**31))
def test_even_running_is_never_suspect(speed: float, rate: float, seed: int) -> None:
    run = np.maximum(speed + rate * np.arange(2000) / 100.0, 0.3)
    t, records = ride(run, seed=seed)
    assert speed_from_pulses(records, t, WHEEL).suspect_pulses == 0


def test_a_missed_pulse_among_single_edges() -> None:
    """Edges one by one, the eleventh left out: one missed, where the next one comes."""
    edge_s = np.arange(20.0) * 0.1
    line = np.arange(20) + 7
    assert not odd_steps(edge_s, line).any()
    seen = np.delete(np.arange(20), 10)
    line[11:] -= 1
    assert odd_steps(edge_s[seen], line[seen]).tolist() == [0] * 10 + [-1] + [0] * 8


def test_slip_and_slide_against_gnss() -> None:
    wheel = np.array([10.0, 14.0, 4.0, 10.2, 10.0])
    gnss = np.array([10.0, 10.0, 10.0, 10.0, np.nan])
    found = flag_slip(wheel, np.full(5, 0.01), gnss)
    assert found.tolist() == [0, 1, -1, 0, 0]


def test_slip_at_the_records_by_fixes_of_their_own_times() -> None:
    """A slide of five seconds, braking hard before and after; fixes once a second."""
    rng = np.random.default_rng(3)
    t = np.arange(6000) / 100.0
    train = np.clip(20.0 - 0.8 * np.maximum(t - 15.0, 0.0), 6.0, None)
    _, records = ride(np.where((t > 40.0) & (t < 45.0), 0.3 * train, train))
    found = speed_from_pulses(records, t, WHEEL)
    at = np.arange(0.5, 60.0)
    gnss = np.interp(at, t, train) + rng.normal(0, 0.05, len(at))
    gnss[50:54] = np.nan
    said = slip_against_gnss(found, at, gnss)
    assert np.all(said[4150:4350] == -1)
    assert np.all(said[:3850] == 0)
    assert np.all(said[4700:] == 0)
    assert not slip_against_gnss(found, np.empty(0), np.empty(0)).any()


def test_counting_figures() -> None:
    """36 in wheel, 60 pulses, 30 mph: 280.11 Hz; ±3.57 % over 0.1 s, ±0.0280 % by one period
    of a 1 MHz clock; equal at 1000 Hz for a gate of one second (computed)."""
    gate, period = period_resolution(280.1127, clock_hz=1e6, gate_s=0.1)
    assert gate == pytest.approx(0.0357, abs=1e-4)
    assert period == pytest.approx(0.000280, abs=1e-6)
    both = period_resolution(1000.0, clock_hz=1e6, gate_s=1.0)
    assert both[0] == pytest.approx(both[1])


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


def test_acceleration_is_the_slope_of_the_local_quadratic() -> None:
    """At even steps: the derivative of Savitzky and Golay (1964), by scipy."""
    rng = np.random.default_rng(4)
    x, y = np.arange(400) / 10.0, rng.normal(0, 1, 400)
    low = np.arange(390)
    fit = line_slopes(x, y, low, low + 10)
    told = savgol_filter(y, 11, 2, deriv=1, delta=0.1)[5:395]
    assert np.allclose(fit.slope, told, atol=1e-9)
    # 5 points: (−2, −1, 0, 1, 2)/10, as printed.
    some = np.array([3.0, 1, 4, 1, 5])
    five = line_slopes(np.arange(5.0), some, np.array([0]), np.array([4]))
    assert five.slope[0] == pytest.approx((-2 * 3 - 1 + 1 + 2 * 5) / 10)


def test_slopes_far_from_the_origin_keep_their_digits() -> None:
    x = 40_000.0 + np.arange(16_000) / 100.0
    y = 2e5 + 55.6 * (x - 40_000.0)
    low = np.arange(15_950)
    assert np.abs(line_slopes(x, y, low, low + 49).slope - 55.6).max() < 1e-4


def live(records: np.ndarray, line: TickLine, size: int = 2) -> np.ndarray:
    speed = LiveSpeed(WHEEL)
    return np.array(
        [speed.update(records[i : i + size], line) for i in range(0, len(records), size)]
    )


def test_live_speed_agrees_and_stops() -> None:
    speed = np.concatenate([np.full(2000, 8.0), np.zeros(1000), np.full(500, 3.0)])
    _, records = ride(speed)
    found = live(records, TickLine(5_000_000, 0.0, 1e-6))
    assert found[100:990] == pytest.approx(8.0, abs=0.02)
    assert found[1480] == 0.0
    assert found[1560:] == pytest.approx(3.0, abs=0.02)


def test_live_speed_while_the_clock_leans_and_when_the_device_restarts() -> None:
    _, records = ride(np.full(3000, 8.0))
    again = records.copy()
    again["tick"] -= np.uint64(4_900_000)
    again["edge_tick"] -= np.uint64(4_900_000)
    again["count"] -= 990
    speed = LiveSpeed(WHEEL)
    found = []
    for part in (records, again):
        for i in range(0, 3000, 2):
            leaning = 0.5e-6 if 400 <= i < 440 else 1e-6
            found.append(speed.update(part[i : i + 2], TickLine(0, 0.0, leaning)))
    assert np.array(found[100:1490]) == pytest.approx(8.0, abs=0.02)
    assert np.array(found[1600:2990]) == pytest.approx(8.0, abs=0.02)
    assert max(found) < 8.7
    assert min(found) >= 0.0
    assert len(speed._edges) <= 512
    assert speed.update(records[:0], TickLine(0, 0.0, 1e-6)) == found[-1]


def test_distance_goes_on_over_restarts() -> None:
    counts = np.array([100, 110, 120, 3, 13, 23, 20])
    distance, u = distance_from_counts(counts, WHEEL, starts=[3])
    pulses = np.array([0, 10, 20, 20, 30, 40, 37])
    assert distance == pytest.approx(pulses * WHEEL.m_per_pulse)
    assert u[3] > u[2]
    # Exact at counts no float64 would hold to the pulse.
    far, _ = distance_from_counts(counts + 2**60, WHEEL, starts=[3])
    assert far.tolist() == distance.tolist()
    assert distance_from_counts([], WHEEL)[0].shape == (0,)
    with pytest.raises(ValueError, match="starts must lie within"):
        distance_from_counts(counts, WHEEL, starts=[7])


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(-(10**6), 10**6), min_size=2, max_size=40),
    st.integers(1, 39),
    st.integers(-(2**40), 2**40),
)
def test_a_restart_anywhere_costs_only_its_own_step(
    steps: list[int], at: int, base: int
) -> None:
    at = min(at, len(steps) - 1)
    counts = np.cumsum(steps)
    whole, _ = distance_from_counts(counts, WHEEL)
    counts[at:] += base - counts[at]
    parted, _ = distance_from_counts(counts, WHEEL, starts=[at])
    lost = steps[at] * WHEEL.m_per_pulse
    assert parted[-1] == pytest.approx(whole[-1] - lost, abs=1e-6)


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
