"""Steady stretches, starts and stops, tables and consumption on series drawn by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.analysis.dynamics.consumption import (
    AmountError,
    consumption,
    evaporation,
)
from recorder.analysis.dynamics.energy import balance_energy, drawbar_work
from recorder.analysis.dynamics.peaks import highest_mean
from recorder.analysis.dynamics.stops_and_starts import find_starts, find_stops
from recorder.analysis.dynamics.tonnage import balancing_speed_m_s, rate
from recorder.analysis.series.binning import bin_fast, bin_slow, blank_gaps
from recorder.analysis.series.corrections import correct
from recorder.analysis.series.run_table import run_table
from recorder.analysis.series.sections import per_distance, per_time, sections_between_marks
from recorder.analysis.series.series import grid
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.stretches.cutting import cut_run
from recorder.analysis.stretches.handling import brake_on, setting_at, throttle_words
from recorder.analysis.uncertainty.measured import Measured
from recorder.marks.handling import FULL
from recorder.marks.kinds import Kind
from recorder.run.parts.gap import Cause, Gap
from tests.recorder.analysis.drawn_runs import (
    STEP_S,
    cause,
    drawn,
    drawn_run,
    make_outing,
    mark,
)


def test_start_and_stop() -> None:
    speed = np.concatenate(
        (np.zeros(100), np.linspace(0, 10, 500), np.full(500, 10.0), np.linspace(10, 0, 200))
    )
    speed = np.append(speed, np.zeros(100))
    pull = np.where(np.arange(len(speed)) < 300, 180.0, 60.0)
    # The brake went on at 110 s, and was keyed as late as people key.
    marks = (mark("brake", 110.6, "on"),)
    run = drawn_run(drawn(speed, pull), *marks)
    (start,) = find_starts(run)
    assert start.breakaway_pull is not None
    assert start.breakaway_pull.value == pytest.approx(180.0)
    assert start.greatest_pull.value == pytest.approx(180.0)
    (stop,), _ = find_stops(run, brake_on(run.series, run.marks))
    assert stop.distance.value == pytest.approx(100.0, rel=0.01)
    assert stop.retardation.value == pytest.approx(0.5, rel=0.02)
    assert stop.retardation.expanded > 0.0
    peak = highest_mean(run, 10.0, "kW")
    assert peak is not None
    assert peak.value.value == pytest.approx(600.0, rel=0.01)
    assert highest_mean(run, 3600.0, "kW") is None


def test_work_is_the_same_on_any_grid() -> None:
    outing = make_outing(3).run
    corrected = outing.corrected
    total = drawbar_work(outing)[2].value
    for sections in (
        per_time(outing.series, 1.0),
        per_time(outing.series, 60.0),
        per_distance(outing.series, 100.0),
    ):
        made = run_table(outing.series, corrected, sections)
        summed = np.nansum(made["work_draft_kJ"]) + np.nansum(made["work_buff_kJ"])
        assert summed == pytest.approx(total, rel=1e-9)


def test_sections_between_mileposts() -> None:
    series = drawn(np.full(3000, 10.0), np.full(3000, 50.0))
    posts = [mark("milepost", t, str(i)) for i, t in enumerate((10.0, 110.0, 210.0))]
    made = sections_between_marks(series, posts, Kind.MILEPOST)
    assert [s.name for s in made] == ["0 to 1", "1 to 2"]
    corrected = correct(series, TrialTrain())
    rows = run_table(series, corrected, made)
    assert np.asarray(rows["distance_m"]) == pytest.approx([1000.0, 1000.0])


def test_a_balance_of_a_true_run_closes() -> None:
    run = make_outing(4).run
    braked = np.zeros(len(run.series), bool)

    def rolling(v: float) -> Measured:
        return Measured(12.0 + 0.1 * v + 0.0025 * v * v, "N/t", {cause("fit"): 0.4})

    held = balance_energy(run, braked, rolling)
    assert held.closes
    assert held.unaccounted is not None
    heavy = replace(run.train, trailing=Vehicles(mass_t=1300.0))
    wrong = replace(run, train=heavy, corrected=correct(run.series, heavy))
    assert balance_energy(wrong, braked, rolling).closes is False


def test_consumption_by_level_and_by_use() -> None:
    n = 36_000
    series = drawn(np.full(n, 10.0), np.full(n, 100.0))
    fuel = consumption(
        drawn_run(series, mark("fuel", 0, "used 1 kg"), mark("fuel", 3599, "used 1000 kg")),
        Kind.FUEL,
    )
    levels = (mark("water", 0, "level 9000 L ± 50"), mark("water", 3599, "level 2000 L ± 50"))
    water = consumption(drawn_run(series, *levels), Kind.WATER)
    assert fuel is not None
    assert water is not None
    assert fuel.per_kWh is not None
    # 1000 kW for an hour is 1000 kWh.
    assert fuel.per_kWh.value == pytest.approx(1.0, rel=1e-3)
    assert water.used.value == 7000.0
    assert water.used.u == pytest.approx(70.7, abs=0.1)
    steam = evaporation(water, fuel)
    assert steam is not None
    assert steam.value == pytest.approx(7.0)
    mixed = (mark("fuel", 0, "used 1 kg"), mark("fuel", 9, "used 1 L"))
    with pytest.raises(AmountError, match="mix"):
        consumption(drawn_run(series, *mixed), Kind.FUEL)
    assert consumption(drawn_run(series, mark("fuel", 0, "used 1 kg")), Kind.FUEL) is None


def test_an_amount_that_does_not_read_is_named_and_not_left_out() -> None:
    series = drawn(np.full(600, 10.0), np.full(600, 100.0))
    marks = [mark("fuel", 0, "used 1 kg"), mark("fuel", 9, "two buckets")]
    with pytest.raises(AmountError, match=r"mark at 9\.0 s: fuel: got 'two buckets'; allowed"):
        consumption(drawn_run(series, *marks), Kind.FUEL)


@pytest.mark.parametrize("release", ["off", "release", "released", "0", "0 kPa", "0,0 bar"])
def test_a_brake_mark_of_nothing_is_a_release(release: str) -> None:
    """``0 kPa`` is what earlier versions kept of a keyed ``0``."""
    marks = (mark("brake", 100.0, "70 kPa"), mark("brake", 130.0, release))
    series = drawn(np.full(6000, 10.0), np.full(6000, 50.0))
    on = brake_on(series, marks)
    assert on[1010:1490].all()
    assert not on[1510:].any()
    assert max(s.t_end_s for s in cut_run(series, marks)) == pytest.approx(600.0, abs=STEP_S)
    stopping = drawn(np.clip(10.0 - np.arange(6000) * 0.002, 0.0, None), np.zeros(6000))
    run = drawn_run(stopping, marks[1])
    assert find_stops(run, brake_on(run.series, run.marks)) == ([], [])


@pytest.mark.parametrize("value", ["", "on", "hold", "10 psi", "a little"])
def test_any_other_brake_mark_is_an_application(value: str) -> None:
    """Also a bare one and one that does not read: pull under brakes must not pass for free."""
    marks = (mark("brake", 100.0, value),)
    assert brake_on(drawn(np.full(6000, 10.0), np.zeros(6000)), marks)[1010:].all()


def test_a_throttle_mark_of_per_cent_is_the_setting_it_says() -> None:
    marks = (mark("throttle", 0.0, "100 %"), mark("throttle", 9.0, "0"), mark("throttle", 19.0))
    assert setting_at(throttle_words(marks), 5.0).agrees(FULL)
    assert setting_at(throttle_words(marks), 15.0).share == 0.0
    assert not setting_at(throttle_words(marks), 15.0).agrees(FULL)
    assert not setting_at(throttle_words(marks), 25.0).agrees(FULL)
    unread = setting_at(throttle_words((mark("throttle", 0.0, "120 %"),)), 5.0)
    assert unread.text == "120 %"
    assert not unread.agrees(FULL)


def test_rating_and_balance_agree() -> None:
    """The load rated for a speed and grade is held on it at that speed."""
    train = TrialTrain(locomotive=Vehicles(mass_t=150.0), trailing=Vehicles(mass_t=1000.0))

    def pull(v: float) -> Measured:
        return Measured(160.0 - 4.0 * v, "kN", {cause("certificate"): 0.5})

    def resistance(v: float) -> Measured:
        return Measured(12.0 + 0.1 * v + 0.0025 * v * v, "N/t", {cause("fit"): 0.5})

    rated = rate(pull, resistance, train, grade=0.01, curvature_per_m=0.0, speed_m_s=8.0)
    assert rated is not None
    loaded = replace(train, trailing=Vehicles(mass_t=rated.trailing_t.value))
    held = balancing_speed_m_s(pull, resistance, loaded, grade=0.01, speeds_m_s=(2.0, 20.0))
    assert held is not None
    assert held.value == pytest.approx(8.0, abs=1e-4)
    assert held.expanded > 0.0
    steep = rate(pull, resistance, train, grade=0.12, curvature_per_m=0.0, speed_m_s=8.0)
    assert steep is None
    with pytest.raises(ValueError, match="weather"):
        rate(
            pull, resistance, train, grade=0.0, curvature_per_m=0.0, speed_m_s=5.0, weather="x"
        )


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.integers(3, 60))
def test_slow_bins_keep_the_integral(seed: int, n: int) -> None:
    """The mean of straight lines over all bins is the trapezium rule's."""
    rng = np.random.default_rng(seed)
    t = np.concatenate(([0.0], np.cumsum(rng.uniform(0.2, 3.0, n))))
    x = rng.normal(0, 10, n + 1)
    edges = grid(0.0, float(t[-1]), float(t[-1]) / 17)
    if len(edges) != 18:
        edges = np.linspace(0.0, float(t[-1]), 18)
    means = bin_slow(t, x, edges)
    assert np.isfinite(means).all()
    total = float(np.sum(means * np.diff(edges)))
    assert total == pytest.approx(float(np.trapezoid(x, t)), rel=1e-6, abs=1e-6)


def test_fast_bins_do_not_alias_and_gaps_stay() -> None:
    """A hum of 50 Hz on 2 kHz samples leaves whole-cycle bins untouched."""
    t = np.arange(0, 10.0, 1 / 2000)
    x = 50.0 + 20.0 * np.sin(2 * np.pi * 50 * t)
    edges = grid(0.0, 10.0, 0.1)
    sums = bin_fast([(t[:7001], x[:7001]), (t[7001:], x[7001:])], edges)
    assert sums.mean == pytest.approx(np.full(100, 50.0), abs=0.2)
    assert sums.maximum().max() == pytest.approx(70.0, abs=0.1)
    gap = Gap(device="a", t_start_s=2.05, t_end_s=2.31, cause=Cause.LINK_LOST)
    holed = blank_gaps(sums.mean, edges, [gap])
    assert np.flatnonzero(np.isnan(holed)).tolist() == [20, 21, 22, 23]
    slow = bin_slow(np.array([0.0, 1.0, 30.0, 31.0]), np.ones(4), grid(0.0, 31.0, 1.0))
    assert np.isnan(slow[1:30]).all()
