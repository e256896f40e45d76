"""Clocks against drawn truth: drifting oscillators, late frames, late sentences, leap seconds."""

import pickle
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.clock.live_tick_clock import LiveTickClock
from calibration.clock.ticks_to_run_time import fit_ticks
from calibration.utc.run_time_to_utc import UtcFit, fit_utc

HZ = 1e6
NS = 10**9
EPOCH_NS = 1_790_000_000 * NS
TICK0 = np.uint64(10**9)


def oscillator(t_s: np.ndarray, ppm: float, swing_ppm: float = 0.0) -> np.ndarray:
    """Ticks of an oscillator that is off by ``ppm``, swinging slowly with temperature."""
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
    ticks = oscillator(t, ppm, 3.0) + TICK0
    fit = fit_ticks(ticks, t + late(rng, len(t)), tick_hz=HZ)
    found = fit.time_s(ticks)
    error = found - t - 0.001  # the least latency cannot be seen
    assert np.abs(error).max() < 0.001
    assert np.abs(found - t).max() <= 2.0 * fit.u_s
    # Usually 8 ms later than its least, it may well be some of that at its least.
    assert 0.0023 < fit.u_s < 0.003
    assert fit.drift_ppm == pytest.approx(ppm, abs=2.0)
    assert np.all(np.diff(found) > 0)


def test_fit_of_twelve_hours_takes_the_earliest_arrivals() -> None:
    """More blocks than are fitted: thinned to what makes the edge, ends kept."""
    rng = np.random.default_rng(11)
    t = np.arange(0.0, 12 * 3600.0, 0.05)
    ticks = oscillator(t, 40.0, 2.0)
    fit = fit_ticks(ticks, t + late(rng, len(t)), tick_hz=HZ)
    assert len(t) > 800_000
    assert len(fit.knots_tick) < 2000
    assert np.abs(fit.time_s(ticks[::1000]) - t[::1000] - 0.001).max() < 0.0005


def test_silence_of_twenty_minutes_inside() -> None:
    rng = np.random.default_rng(12)
    t = np.arange(0.0, 3 * 3600.0, 0.1)
    heard = (t < 4000.0) | (t > 5200.0)
    ticks = oscillator(t, 20.0, 1.0)
    fit = fit_ticks(ticks[heard], (t + late(rng, len(t)))[heard], tick_hz=HZ)
    assert np.abs(fit.time_s(ticks) - t - 0.001).max() < 0.001


@pytest.mark.parametrize("span_s", [3.0, 15.0, 60.0, 300.0])
def test_short_runs(span_s: float) -> None:
    """The earliest block decides; later times go on near the nominal rate."""
    rng = np.random.default_rng(6)
    t = np.arange(0.0, span_s, 0.01)
    fit = fit_ticks(oscillator(t, 20.0), t + late(rng, len(t)), tick_hz=HZ)
    assert np.abs(fit.time_s(oscillator(t, 20.0)) - t - 0.001).max() < 0.002
    after = np.array([t[-1] + 600.0])
    assert abs(fit.time_s(oscillator(after, 20.0))[0] - after[0]) < 0.05


def test_ticks_before_the_first_block_and_near_the_top_of_the_count() -> None:
    top = np.uint64(2**64 - 10**7)
    ticks = top + np.arange(0, 9_000_000, 10_000, dtype=np.uint64)
    t = 5.0 + (ticks - top).astype(np.float64) / HZ
    fit = fit_ticks(ticks, t, tick_hz=HZ)
    assert fit.time_s(ticks[:1] - np.uint64(1_000_000))[0] == pytest.approx(4.0, abs=1e-6)


def test_bad_input_is_refused() -> None:
    one, two = np.array([1], np.uint64), np.array([1, 2], np.uint64)
    with pytest.raises(ValueError, match="two blocks"):
        fit_ticks(one, np.array([0.0]), tick_hz=HZ)
    with pytest.raises(ValueError, match="two blocks"):
        fit_ticks(two, np.array([0.0]), tick_hz=HZ)
    with pytest.raises(ValueError, match="rising"):
        fit_ticks(np.array([5, 5], np.uint64), np.array([0.0, 1.0]), tick_hz=HZ)
    with pytest.raises(ValueError, match="finite"):
        fit_ticks(two, np.array([0.0, np.nan]), tick_hz=HZ)
    with pytest.raises(ValueError, match="tick_hz"):
        fit_ticks(two, np.array([0.0, 1.0]), tick_hz=0.0)
    with pytest.raises(ValueError, match="tick_hz"):
        LiveTickClock(np.inf)
    with pytest.raises(ValueError, match="two valid"):
        fit_utc(np.array([0.0]), np.array([EPOCH_NS]))
    with pytest.raises(ValueError, match="two valid"):
        fit_utc(np.array([0.0, 0.0]), np.array([EPOCH_NS, EPOCH_NS]))
    with pytest.raises(ValueError, match="rows"):
        fit_utc(np.array([0.0, 1.0]), np.array([EPOCH_NS]))
    with pytest.raises(ValueError, match="no pulse"):
        fit_utc(np.arange(9.0), EPOCH_NS + np.arange(9) * NS, pps_t_s=np.array([100.0]))


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


@pytest.mark.parametrize("ppm", [-200.0, 0.0, 50.0, 200.0])
def test_live_clock_settles_and_follows(ppm: float) -> None:
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 600.0, 0.01)
    ticks = oscillator(t, ppm)
    received = t + late(rng, len(t))
    received[0] += 0.3  # the very first block stalls
    clock = LiveTickClock(HZ)
    found = [
        clock.update(tick, r).time_s(np.array([tick], np.uint64))[0]
        for tick, r in zip(ticks.tolist(), received.tolist(), strict=True)
    ]
    error = np.array(found) - t - 0.001
    # Nothing lies after its own receipt, once the stall of the first block is worked off.
    assert (np.array(found) <= received + 1e-9)[50:].all()
    assert np.abs(error[500:]).max() < 0.015
    assert np.abs(error[20_000:]).max() < 0.002
    # Bounded whatever the run's length.
    assert len(pickle.dumps(clock)) < 10_000


def by_sentences(received: np.ndarray, told: np.ndarray) -> UtcFit:
    """Fitted with the delay that these receivers have."""
    return fit_utc(received, told, delay_s=0.08, u_delay_s=0.04)


def sentences(
    rng: np.random.Generator, hours: float, ppm: float = 20.0, start_ns: int = EPOCH_NS
) -> tuple[np.ndarray, ...]:
    """True run times of whole UTC seconds, receipt times, and what the sentences tell."""
    second = np.arange(1, int(hours * 3600))
    true_t = (second - 0.3) * (1 + ppm * 1e-6)
    delay = 0.085 + rng.exponential(0.012, len(second)) + rng.uniform(0, 0.01, len(second))
    return true_t, true_t + delay, start_ns + second * NS


def error_s(fit: UtcFit, t: np.ndarray, true_ns: np.ndarray) -> np.ndarray:
    return np.asarray((fit.utc_ns(t) - true_ns) / 1e9)


@pytest.mark.parametrize("ppm", [20.0, -60.0])
def test_utc_within_a_millisecond_with_pulses(ppm: float) -> None:
    """Twelve hours, twenty minutes of them without a signal."""
    rng = np.random.default_rng(8)
    true_t, received, told = sentences(rng, 12.0, ppm)
    out = (true_t > 3000) & (true_t < 4200)
    pulses = true_t[~out] + rng.normal(0, 5e-5, (~out).sum())
    fit = fit_utc(received[~out], told[~out], pps_t_s=pulses)
    error = error_s(fit, true_t, told)
    assert fit.by_pulses
    assert np.abs(error).max() < 1e-3
    u = fit.u_s(true_t)
    assert u[np.searchsorted(true_t, 3600)] > 2 * u[100]
    assert np.mean(np.abs(error) <= 2 * u) >= 0.95


@pytest.mark.parametrize("delay_s", [0.02, 0.48, 0.9])
def test_pulses_are_named_at_any_delay_of_the_sentence(delay_s: float) -> None:
    """Stray edges, missed edges and edges no sentence follows included."""
    rng = np.random.default_rng(13)
    true_t, _, told = sentences(rng, 0.5)
    heard = np.abs(true_t - 900.0) > 100.0
    strays = rng.uniform(0, 1800, 20)
    pulses = np.sort(np.concatenate((true_t[rng.random(len(true_t)) > 0.1], strays)))
    fit = fit_utc(true_t[heard] + delay_s, told[heard], pps_t_s=pulses)
    assert np.abs(error_s(fit, true_t, told)).max() < 5e-4


def test_five_sentences_a_second_with_pulses() -> None:
    true_t = np.arange(1.0, 600.0, 0.2)
    told = EPOCH_NS + np.round(true_t * 1e9).astype(np.int64)
    pulses = np.arange(1.0, 600.0)
    fit = fit_utc(true_t + 0.31, told, pps_t_s=pulses)
    assert np.abs(error_s(fit, true_t, told)).max() < 1e-4


@pytest.mark.parametrize("ppm", [20.0, -60.0])
def test_utc_within_a_tenth_without_pulses(ppm: float) -> None:
    """Twelve hours at 60 ppm are 2.6 s of drift: no whole second may be seen in them."""
    rng = np.random.default_rng(9)
    true_t, received, told = sentences(rng, 12.0, ppm)
    out = (true_t > 3000) & (true_t < 4200)
    fit = by_sentences(received[~out], told[~out])
    error = error_s(fit, true_t, told)
    assert not fit.by_pulses
    assert fit.steps == ()
    assert np.abs(error).max() < 0.1
    assert np.mean(np.abs(error) <= 2 * fit.u_s(true_t)) >= 0.95


def test_uncertainty_grows_beyond_a_short_stretch_of_sentences() -> None:
    """Two minutes of sky, then an hour without: the rate is hardly known, and it says so."""
    rng = np.random.default_rng(14)
    true_t, received, told = sentences(rng, 1.0, 40.0)
    fit = by_sentences(received[:120], told[:120])
    error = error_s(fit, true_t, told)
    u = fit.u_s(true_t)
    assert u[-1] > 1.1 * u[0]
    assert np.all(np.abs(error) <= 3 * u)


def test_a_stated_delay_is_taken_off() -> None:
    rng = np.random.default_rng(15)
    true_t, received, told = sentences(rng, 0.2)
    late_fit = fit_utc(received + 0.4, told, delay_s=0.485, u_delay_s=0.005)
    assert np.abs(error_s(late_fit, true_t, told)).max() < 0.02
    assert late_fit.u_s(true_t).max() < 0.02


def test_a_leap_second_count_learnt_late_is_told_and_not_followed() -> None:
    """Whole seconds off for a while after a cold start, also when that is most of the run."""
    rng = np.random.default_rng(10)
    true_t, received, told = sentences(rng, 0.25)
    wrong = told.copy()
    wrong[:700] += 3 * NS
    fit = by_sentences(received, wrong)
    assert np.abs(error_s(fit, true_t, told)).max() < 0.1
    assert [step for _, step in fit.steps] == [3.0, 0.0]
    assert fit.steps[1][0] == received[700]


def test_a_receiver_that_jumps_and_comes_back_is_told() -> None:
    rng = np.random.default_rng(16)
    true_t, received, told = sentences(rng, 1.0)
    wrong = told.copy()
    wrong[1000:1400] -= 1024 * 7 * 86_400 * NS  # a week number that rolled over
    wrong[2000] += 5 * NS  # one stray sentence makes no step
    fit = by_sentences(received, wrong)
    assert np.abs(error_s(fit, true_t, told)).max() < 0.1
    assert [round(at) for at, _ in fit.steps] == [round(received[i]) for i in (1000, 1400)]
    # The scale of the fit counts leap seconds; 19.6 years back there were fewer.
    assert abs(fit.steps[0][1] + 1024 * 7 * 86_400) < 10.0
    assert fit.steps[1][1] == 0.0


def leap_sentences(midnight: str, *, with_sixty: bool) -> tuple[np.ndarray, ...]:
    """Ten minutes around an inserted second; 23:59:60 carries the number of 00:00:00."""
    at_ns = int(datetime.fromisoformat(midnight).replace(tzinfo=UTC).timestamp()) * NS
    second = np.arange(-300, 300)
    true_t = 310.0 + second
    told = at_ns + np.where(second > 0, second - 1, second) * NS
    keep = np.ones(len(second), np.bool_) if with_sixty else second != 0
    return true_t[keep], told[keep], second[keep]


@pytest.mark.parametrize("with_sixty", [True, False])
@pytest.mark.parametrize("pps", [True, False])
@pytest.mark.parametrize(
    "midnight",
    ["2017-01-01T00:00:00", "2015-07-01T00:00:00", "2029-01-01T00:00:00"],
    ids=["table 2017", "table 2015", "not in the table"],
)
def test_a_leap_second_within_the_run(midnight: str, *, pps: bool, with_sixty: bool) -> None:
    """UTC repeats a number and goes on; nothing is off by a second on either side."""
    true_t, told, second = leap_sentences(midnight, with_sixty=with_sixty)
    late_s = true_t + 0.08
    fit = fit_utc(late_s, told, pps_t_s=true_t) if pps else by_sentences(late_s, told)
    # Half a second in, lest rounding decides the side.
    error = error_s(fit, true_t + 0.5, told + NS // 2)
    assert np.abs(error).max() < 1e-3
    assert fit.steps == ()
    assert len(fit.leaps) == (1 if "2029" in midnight else 0)
    assert second[0] < 0 < second[-1]


def test_a_jump_at_another_hour_is_no_leap_second() -> None:
    true_t, told, _ = leap_sentences("2029-01-01T11:00:00", with_sixty=True)
    fit = by_sentences(true_t + 0.08, told)
    assert fit.leaps == ()
    assert len(fit.steps) == 2


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.0, 1e5), st.integers(-(2**62), 2**62) | st.just(-(2**63))),
        max_size=30,
    ),
    st.none() | st.lists(st.floats(-10, 1e5) | st.just(float("nan")), max_size=30),
)
def test_nonsense_is_fitted_or_refused(
    fixes: list[tuple[float, int]], pulses: list[float] | None
) -> None:
    """Times without order or sense: an answer of finite numbers, or one line."""
    t = np.sort(np.array([f[0] for f in fixes]))
    told = np.array([f[1] for f in fixes], np.int64)
    try:
        fit = fit_utc(t, told, pps_t_s=None if pulses is None else np.array(pulses))
    except ValueError as refused:
        lines = str(refused).splitlines()
        if len(lines) != 1:
            raise
        return
    assert np.isfinite(fit.u_s(t)).all()
    assert fit.utc_ns(t).dtype == np.int64
