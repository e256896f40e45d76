"""Steady stretches, starts and stops, tables and consumption on series drawn by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.analysis.campaign.run_table import (
    per_distance,
    per_time,
    sections_between_marks,
    table,
)
from recorder.analysis.dynamics.consumption import (
    AmountError,
    consumption,
    evaporation,
)
from recorder.analysis.dynamics.energy import ledger, work
from recorder.analysis.dynamics.stops_and_starts import find_starts, find_stops, highest_mean
from recorder.analysis.dynamics.tonnage import balancing_speed_m_s, rate
from recorder.analysis.series.corrections import correct
from recorder.analysis.series.series import Series, bin_fast, bin_slow, blank_gaps, grid
from recorder.analysis.series.train import Train
from recorder.analysis.specification.steady_stretches import (
    Edit,
    Limits,
    apply_edits,
    brake_on,
    find_steady,
    setting_at,
)
from recorder.analysis.uncertainty.measured import Measured
from recorder.marks.handling import FULL
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark
from recorder.run.gap import Cause, Gap
from tests.recorder.analysis.conftest import make_outing

STEP = 0.1


def mark(kind: str, t_s: float, value: str = "") -> Mark:
    return Mark(mark_id=f"{kind}{t_s}", kind=kind, t_s=t_s, value=value)


def drawn(speed: np.ndarray, pull: np.ndarray, marks: tuple[Mark, ...] = ()) -> Series:
    n = len(speed)
    base = make_outing(1, hours=0.05).series
    nothing = np.zeros(n)
    return replace(
        base,
        t_s=np.asarray((np.arange(n) + 0.5) * STEP, dtype=np.float64),
        step_s=STEP,
        pull_kN=pull,
        pull_min_kN=pull - 1,
        pull_max_kN=pull + 1,
        speed_m_s=speed,
        distance_m=np.cumsum(speed) * STEP,
        acceleration_m_s2=np.gradient(speed, STEP),
        chainage_m=np.cumsum(speed) * STEP,
        locomotive_grade=nothing,
        trailing_grade=nothing,
        locomotive_curvature_per_m=nothing,
        trailing_curvature_per_m=nothing,
        flags=np.zeros(n, np.uint8),
        marks=marks,
    )


def test_stretches_end_at_throttle_and_brake() -> None:
    n = 6000
    series = drawn(
        np.full(n, 10.0),
        np.full(n, 50.0),
        (
            mark("throttle", 100.0, "full"),
            mark("brake", 400.0, "on"),
            mark("brake", 430.0, "off"),
        ),
    )
    found = find_steady(series, Limits(longest_s=1000.0))
    assert all(not s.t_start_s < 100.0 < s.t_end_s for s in found)
    assert all(s.t_end_s <= 400.1 or s.t_start_s >= 430.0 for s in found)
    assert {s.setting.text for s in found} == {"", "full"}


def test_no_stretch_while_speed_changes_or_data_lack() -> None:
    n = 3000
    ramp = drawn(np.linspace(2.0, 40.0, n), np.full(n, 50.0))
    assert find_steady(ramp) == []
    holed = np.full(n, 50.0)
    holed[::150] = np.nan
    assert find_steady(drawn(np.full(n, 10.0), holed)) == []


def test_edits_want_reasons_and_act() -> None:
    n = 3000
    series = drawn(np.full(n, 10.0), np.full(n, 50.0))
    found = find_steady(series)
    struck = apply_edits(
        series, found, [Edit(action="strike", t_start_s=0, t_end_s=300, reason="wet rail")]
    )
    assert struck == []
    added = apply_edits(
        series, [], [Edit(action="add", t_start_s=50, t_end_s=80, reason="seen steady")]
    )
    assert added[0].source == "crew"
    with pytest.raises(ValueError, match="reason"):
        apply_edits(series, found, [Edit(action="strike", t_start_s=0, t_end_s=9, reason=" ")])


def test_start_and_stop() -> None:
    speed = np.concatenate(
        (np.zeros(100), np.linspace(0, 10, 500), np.full(500, 10.0), np.linspace(10, 0, 200))
    )
    speed = np.append(speed, np.zeros(100))
    pull = np.where(np.arange(len(speed)) < 300, 180.0, 60.0)
    marks = (mark("brake", 110.0, "on"),)
    series = drawn(speed, pull, marks)
    evidence = make_outing(1).evidence
    (start,) = find_starts(series, evidence)
    assert start.breakaway_pull.value == pytest.approx(180.0)
    assert start.greatest_pull.value == pytest.approx(180.0)
    (stop,) = find_stops(series, marks, evidence)
    assert stop.distance.value == pytest.approx(100.0, rel=0.01)
    assert stop.retardation.value == pytest.approx(0.5, rel=0.02)
    assert stop.retardation.expanded > 0.0
    peak = highest_mean(series, series.power_kW, 10.0, "kW", evidence)
    assert peak is not None
    assert peak.value.value == pytest.approx(600.0, rel=0.01)
    assert highest_mean(series, series.power_kW, 3600.0, "kW", evidence) is None


def test_work_is_the_same_on_any_grid() -> None:
    outing = make_outing(3)
    corrected = correct(outing.series, outing.train)
    total = work(outing.series, outing.evidence)[2].value
    for sections in (
        per_time(outing.series, 1.0),
        per_time(outing.series, 60.0),
        per_distance(outing.series, 100.0),
    ):
        made = table(outing.series, corrected, sections)
        summed = np.nansum(made["work_draft_kJ"]) + np.nansum(made["work_buff_kJ"])
        assert summed == pytest.approx(total, rel=1e-9)


def test_sections_between_mileposts() -> None:
    series = drawn(np.full(3000, 10.0), np.full(3000, 50.0))
    posts = [mark("milepost", t, str(i)) for i, t in enumerate((10.0, 110.0, 210.0))]
    made = sections_between_marks(series, posts, Kind.MILEPOST)
    assert [s.name for s in made] == ["0 to 1", "1 to 2"]
    corrected = correct(series, Train())
    rows = table(series, corrected, made)
    assert np.asarray(rows["distance_m"]) == pytest.approx([1000.0, 1000.0])


def test_a_ledger_of_a_true_run_closes() -> None:
    outing = make_outing(4)
    series = outing.series
    corrected = correct(series, outing.train)

    def rolling(v: float) -> Measured:
        return Measured(12.0 + 0.1 * v + 0.0025 * v * v, "N/t", {"fit": 0.4})

    held = ledger(series, corrected, outing.train, outing.evidence, rolling)
    assert held.closes
    assert held.closure is not None
    wrong = ledger(
        series,
        corrected,
        replace(outing.train, trailing_mass_t=1300.0),
        outing.evidence,
        rolling,
    )
    assert wrong.closes is False


def test_consumption_by_level_and_by_use() -> None:
    n = 36_000
    series = drawn(np.full(n, 10.0), np.full(n, 100.0))
    evidence = make_outing(1).evidence
    fuel = consumption(
        series,
        [mark("fuel", 0, "used 1 kg"), mark("fuel", 3599, "used 1000 kg")],
        Kind.FUEL,
        evidence,
    )
    water = consumption(
        series,
        [mark("water", 0, "level 9000 L ± 50"), mark("water", 3599, "level 2000 L ± 50")],
        Kind.WATER,
        evidence,
    )
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
    with pytest.raises(AmountError, match="mix"):
        consumption(
            series,
            [mark("fuel", 0, "used 1 kg"), mark("fuel", 9, "used 1 L")],
            Kind.FUEL,
            evidence,
        )
    assert consumption(series, [mark("fuel", 0, "used 1 kg")], Kind.FUEL, evidence) is None


def test_an_amount_that_does_not_read_is_named_and_not_left_out() -> None:
    series = drawn(np.full(600, 10.0), np.full(600, 100.0))
    marks = [mark("fuel", 0, "used 1 kg"), mark("fuel", 9, "two buckets")]
    with pytest.raises(AmountError, match=r"mark at 9\.0 s: fuel: got 'two buckets'; allowed"):
        consumption(series, marks, Kind.FUEL, make_outing(1).evidence)


@pytest.mark.parametrize("release", ["off", "release", "released", "0", "0 kPa", "0,0 bar"])
def test_a_brake_mark_of_nothing_is_a_release(release: str) -> None:
    """``0 kPa`` is what earlier versions kept of a keyed ``0``."""
    marks = (mark("brake", 100.0, "70 kPa"), mark("brake", 130.0, release))
    series = drawn(np.full(6000, 10.0), np.full(6000, 50.0), marks)
    on = brake_on(series, marks)
    assert on[1010:1490].all()
    assert not on[1510:].any()
    assert max(s.t_end_s for s in find_steady(series)) == pytest.approx(600.0, abs=STEP)
    stopping = drawn(np.clip(10.0 - np.arange(6000) * 0.002, 0.0, None), np.zeros(6000))
    assert find_stops(stopping, [marks[1]], make_outing(1).evidence) == []


@pytest.mark.parametrize("value", ["", "on", "hold", "10 psi", "a little"])
def test_any_other_brake_mark_is_an_application(value: str) -> None:
    """Also a bare one and one that does not read: pull under brakes must not pass for free."""
    marks = (mark("brake", 100.0, value),)
    assert brake_on(drawn(np.full(6000, 10.0), np.zeros(6000)), marks)[1010:].all()


def test_a_throttle_mark_of_per_cent_is_the_setting_it_says() -> None:
    marks = (mark("throttle", 0.0, "100 %"), mark("throttle", 9.0, "0"), mark("throttle", 19.0))
    assert setting_at(marks, 5.0).agrees(FULL)
    assert setting_at(marks, 15.0).share == 0.0
    assert not setting_at(marks, 15.0).agrees(FULL)
    assert not setting_at(marks, 25.0).agrees(FULL)
    unread = setting_at((mark("throttle", 0.0, "120 %"),), 5.0)
    assert unread.text == "120 %"
    assert not unread.agrees(FULL)


def test_rating_and_balance_agree() -> None:
    """The load rated for a speed and grade is held on it at that speed."""
    train = Train(locomotive_mass_t=150.0, trailing_mass_t=1000.0)

    def pull(v: float) -> Measured:
        return Measured(160.0 - 4.0 * v, "kN", {"certificate": 0.5})

    def resistance(v: float) -> Measured:
        return Measured(12.0 + 0.1 * v + 0.0025 * v * v, "N/t", {"fit": 0.5})

    rated = rate(pull, resistance, train, grade=0.01, curvature_per_m=0.0, speed_m_s=8.0)
    assert rated is not None
    held = balancing_speed_m_s(
        pull,
        resistance,
        train,
        trailing_t=rated.trailing_t.value,
        grade=0.01,
        speeds_m_s=(2.0, 20.0),
    )
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
