"""Lying devices: whole frames and sentences with good checksums, and exactly the lie in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulated_feeds.devices.fault_kinds import parse_fault
from simulated_feeds.outing.faulty_scenario import with_faults
from simulated_feeds.outing.rendering import render_run_arrays
from simulated_feeds.outing.scenario import Scenario, make_scenario, still
from simulated_feeds.sheets.sheet_files import car_sheet
from tests.simulated_feeds.wire_words import cell_frames, sent, sentences, wheel_rows

UTC0_NS = 1_780_000_000_250_000_000
"""2026-05-28 20:26:40.25: the first whole second is 20:26:41, at 0.75 s."""


@pytest.fixture(scope="module")
def world() -> Scenario:
    """Perfect instruments but for what a test asks of them; the train moves at 1 s."""
    return still(make_scenario(1, utc0_ns=UTC0_NS, depart_t_s=1.0, pps=True, channels=2))


# ------------------------------------------------------------------- receiver


@pytest.mark.parametrize(
    ("fault", "clock", "rmc", "zda"),
    [
        ("date-off=-7168@0", "202641.00", "121006", "12102006"),  # 1024 weeks before the 28th
        ("date-off=1@0", "202641.00", "290526", "29052026"),
        ("date-off=-7305@0", "202641.00", "280506", "28052006"),  # twenty years
        ("time-off=18@0", "202659.00", "280526", "28052026"),
        ("time-off=-14@0", "202627.00", "280526", "28052026"),
        ("time-off=14400@0", "002641.00", "290526", "29052026"),  # past midnight
    ],
)
def test_a_receiver_with_the_wrong_time(
    world: Scenario, fault: str, clock: str, rmc: str, zda: str
) -> None:
    """In every sentence alike, from the first one; its places are right."""
    told = sentences(sent(world, fault, seconds=2.0)["clock"])
    assert [s.clock for s in told[:3]] == [clock] * 3
    assert [s.date for s in told[:3]] == [rmc, "", zda]
    honest = sentences(sent(world, seconds=2.0)["clock"])
    assert [s.words[3:9] for s in told[::3]] == [s.words[3:9] for s in honest[::3]]
    assert [s.due_s for s in told] == [s.due_s for s in honest]


def test_leap_seconds_learnt_late(world: Scenario) -> None:
    """18 s ahead for the seconds 41, 42, 43 (0.75, 1.75, 2.75 s), then right."""
    told = sentences(sent(world, "time-off=18@0+3")["clock"], "RMC")
    assert [s.clock[4:6] for s in told] == ["59", "00", "01", "44", "45", "46"]


def test_a_jump_in_mid_run(world: Scenario) -> None:
    told = sentences(sent(world, "time-off=3600@3")["clock"], "ZDA")
    clocks = ["202641.00", "202642.00", "202643.00", "212644.00", "212645.00", "212646.00"]
    assert [s.clock for s in told] == clocks


@pytest.mark.parametrize(
    ("fault", "clock", "date"),
    [("zda-off=1@0", "202642.00", "28052026"), ("zda-off=86400@0", "202641.00", "29052026")],
)
def test_kinds_that_disagree(world: Scenario, fault: str, clock: str, date: str) -> None:
    told = sentences(sent(world, fault, seconds=2.0)["clock"])
    assert [(s.clock, s.date) for s in told[:3]] == [
        ("202641.00", "280526"),
        ("202641.00", ""),
        (clock, date),
    ]


def test_time_that_runs_on_without_a_fix(world: Scenario) -> None:
    """Two per cent fast: after 2.75 s without a fix its second begins 55 ms early."""
    told = sentences(sent(world, "holdover=20000@2+3")["clock"])
    honest = sentences(sent(world)["clock"])
    assert [s.clock for s in told] == [s.clock for s in honest]
    assert [s.words[2] for s in told if s.kind == "RMC"] == list("AAVVVA")
    assert [s.words[6] for s in told if s.kind == "GGA"] == list("110001")
    assert {s.date for s in told if s.kind == "ZDA"} == {"28052026"}
    early = [b.due_s - a.due_s for a, b in zip(told, honest, strict=True) if a.kind == "RMC"]
    assert early == pytest.approx([0.0, 0.0, 0.015, 0.035, 0.055, 0.0], abs=1e-9)


def test_a_receiver_ten_times_a_second(world: Scenario) -> None:
    told = sentences(sent(world, "faster:clock=10@0", seconds=3.0)["clock"], "RMC")
    assert [s.clock for s in told[:3]] == ["202640.30", "202640.40", "202640.50"]
    assert len(told) == pytest.approx(27, abs=2)


# ------------------------------------------------------------ pulses per second


def test_pulses_by_the_wrong_edge(world: Scenario) -> None:
    """0.2 s later, each of them, as many as there were."""
    right, late = (wheel_rows(sent(world, *f)["wheel"]) for f in ((), ("pulse-late=0.2@0",)))
    ticks = [np.unique(rows.pps_tick[rows.pps_count > 0]) for rows in (right, late)]
    assert len(ticks[0]) == len(ticks[1]) == 6
    assert (ticks[1] - ticks[0]).tolist() == [200_000] * 6
    assert np.array_equal(right.count, late.count)
    assert np.all(np.diff(late.pps_count) >= 0)
    assert late.pps_count[-1] == 6


def test_the_edge_changes_in_mid_run(world: Scenario) -> None:
    late = wheel_rows(sent(world, "pulse-late=0.1@3")["wheel"])
    steps = np.diff(np.unique(late.pps_tick[late.pps_count > 0]))
    assert steps.tolist() == [1_000_000, 1_000_000, 1_100_000, 1_000_000, 1_000_000]


def test_a_sentence_after_the_next_pulse(world: Scenario) -> None:
    """What is sent of second 41 comes 1.1 s later, after the pulse of 42."""
    told = sentences(sent(world, "late:clock=1.1@0")["clock"], "RMC")
    behind = [s.due_s - (0.75 + i) for i, s in enumerate(told)]
    assert 1.1 < min(behind) <= max(behind) < 1.4
    assert told[0].clock == "202641.00"


# ----------------------------------------------------------------- tick clocks


@pytest.mark.parametrize("ppm", [-20_000.0, 0.0, 5_000.0, 20_000.0, 50_000.0])
def test_ticks_of_a_poor_oscillator(world: Scenario, ppm: float) -> None:
    """The frame says 1 MHz, and so many millionths more come each second; both devices."""
    both = sent(world, f"clock-rate={ppm}@0", seconds=20.0)
    cell, wheel = cell_frames(both["drawbar"]), wheel_rows(both["wheel"])
    assert cell.tick_hz == 1_000_000
    assert cell.step == 500
    assert np.all(np.diff(cell.tick) == 10_000)
    for ticks, due_s in ((cell.tick, cell.due_s), (wheel.tick, wheel.due_s)):
        # Latency draws of half a millisecond at either end.
        rate = (ticks[-1] - ticks[0]) / (due_s[-1] - due_s[0])
        assert rate == pytest.approx(1e6 + ppm, abs=500.0)


def test_the_pull_is_sampled_when_the_poor_oscillator_says(world: Scenario) -> None:
    """By true time the counts are those of the honest device: nothing else is wrong."""
    quick, honest = (
        cell_frames(sent(world, *f, seconds=20.0)["drawbar"])
        for f in (("clock-rate=20000@0",), ())
    )
    true_s = np.arange(1, quick.pull.size + 1) * 0.0005 / 1.02
    honest_s = np.arange(1, honest.pull.size + 1) * 0.0005
    assert quick.pull.size / honest.pull.size == pytest.approx(1.02, abs=2e-3)
    want = np.interp(true_s, honest_s, honest.pull)
    assert np.abs(quick.pull - want)[:-40].max() < 1e-3 * np.ptp(honest.pull)


def test_a_rate_that_moves_and_stays() -> None:
    """3600 ppm/h for 100 s is 1 ppm a second: 5000 µs ahead then, 100 µs a second after."""
    clock = still(make_scenario(1, utc0_ns=UTC0_NS)).wheel_clock
    poor = replace(clock, faults=(parse_fault("clock-drift=3600@50+100"),))
    t_s = np.array([0.0, 50.0, 100.0, 150.0, 250.0])
    ahead = poor.ticks(t_s) - clock.ticks(t_s)
    assert ahead == pytest.approx([0.0, 0.0, 1250.0, 5000.0, 15_000.0], abs=1.5)
    assert poor.time_s(poor.ticks(t_s)) == pytest.approx(t_s, abs=2e-6)


# ------------------------------------------------------------------- the counts


def test_a_count_that_is_stuck(world: Scenario) -> None:
    """The pull holds its count of 2 s for two seconds, and then comes back; ticks run on."""
    cell = cell_frames(sent(world, "stuck:drawbar@2+2")["drawbar"])
    honest = cell_frames(sent(world)["drawbar"])
    t_s = np.arange(1, cell.pull.size + 1) * 0.0005
    held = (t_s > 2.001) & (t_s < 3.999)
    assert np.unique(cell.pull[held]).size == 1
    assert cell.pull[held][0] == honest.pull[t_s > 2.0][0]
    assert np.array_equal(cell.pull[t_s < 1.999], honest.pull[t_s < 1.999])
    assert np.array_equal(cell.pull[t_s > 4.001], honest.pull[t_s > 4.001])
    assert np.array_equal(cell.other, honest.other)
    assert np.all(np.diff(cell.tick) == 10_000)


def test_a_spike_a_second(world: Scenario) -> None:
    """Single samples, ten times as large as without, or at the rail."""
    cell = cell_frames(sent(world, "spikes@1.5+4")["drawbar"])
    honest = cell_frames(sent(world)["drawbar"])
    at = np.flatnonzero(cell.pull != honest.pull)
    assert (at * 0.0005).tolist() == pytest.approx([1.5, 2.5, 3.5, 4.5], abs=0.002)
    wanted = np.clip(10.0 * honest.pull[at], -(2**23), 2**23 - 1)
    assert cell.pull[at] == pytest.approx(wanted, abs=5.0)


def test_a_count_that_creeps_and_stays_where_it_got_to(world: Scenario) -> None:
    cell = cell_frames(sent(world, "creep=1000@1+3")["drawbar"])
    honest = cell_frames(sent(world)["drawbar"])
    t_s = np.arange(1, cell.pull.size + 1) * 0.0005
    crept = cell.pull - honest.pull
    assert crept == pytest.approx(1000.0 * np.clip(t_s - 1.0, 0.0, 3.0), abs=2.0)


@pytest.mark.parametrize(("value", "rail"), [(1, 2**23 - 1), (-1, -(2**23))])
def test_a_count_at_a_rail(world: Scenario, value: int, rail: int) -> None:
    cell = cell_frames(sent(world, f"railed={value}@2+2")["drawbar"])
    assert np.count_nonzero(cell.pull == rail) == pytest.approx(4000, abs=1)
    assert cell.pull[0] != rail
    assert cell.pull[-1] != rail


@pytest.mark.parametrize(
    ("fault", "part"), [("stuck:wheel", 0.0), ("slide=0.5", 0.5), ("slide=1.5", 1.5)]
)
def test_a_wheel_that_turns_otherwise(world: Scenario, fault: str, part: float) -> None:
    """From 10 s to 14 s it counts so many times what it should; before and after, all of it."""
    wheel = wheel_rows(sent(world, f"{fault}@10+4", seconds=18.0)["wheel"])
    honest = wheel_rows(sent(world, seconds=18.0)["wheel"])
    t_s = (np.arange(wheel.count.size) + 1) * 0.010
    for low, high, wanted in ((0.0, 10.0, 1.0), (10.0, 14.0, part), (14.0, 18.0, 1.0)):
        inside = (t_s >= low) & (t_s <= high - 0.001)
        true = np.ptp(honest.count[inside])
        assert true > 40
        assert np.ptp(wheel.count[inside]) == pytest.approx(wanted * true, abs=4.0)
    if part == 0.0:
        still_there = (t_s > 10.02) & (t_s < 13.98)
        assert np.unique(wheel.edge_tick[still_there]).size == 1


# ------------------------------------------------------------------ how often


def test_devices_that_send_faster_than_the_sheet_says(world: Scenario) -> None:
    both, honest = sent(world, "faster=1.25@0"), sent(world)
    for name in ("drawbar", "wheel"):
        ratio = len(both[name].frames) / len(honest[name].frames)
        assert ratio == pytest.approx(1.25, abs=0.01), name
    assert cell_frames(both["drawbar"]).step == 400
    ports = {"drawbar": "a", "wheel": "b", "clock": "c"}
    stated = car_sheet(world, ports)["devices"]["drawbar"]["expected_hz"]
    assert stated == 2000.0


def test_without_faults_a_scenario_is_as_it_was(world: Scenario) -> None:
    assert with_faults(world, []) is world


def test_wheel_and_cell_without_ports_have_the_faults_too(world: Scenario) -> None:
    """A run of arrays of a scenario with faults: ticks as of the poor oscillator."""
    poor = with_faults(world, [parse_fault("clock-rate:wheel=20000@0")])
    run = render_run_arrays(poor, 60.0)
    ticks = run.wheel.records["tick"].astype(np.float64)
    rate = np.polyfit(run.wheel.true_s, ticks, 1)[0]
    assert rate == pytest.approx(1_020_000.0, rel=1e-6)
