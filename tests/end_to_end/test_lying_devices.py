"""Devices that lie, recorded on real ports: the run file has exactly what they said.

What is told of each lie, at the seal and afterwards, is held by tests that ask for the same runs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.devices.fault_kinds import FaultKind, added, parse_fault
from simulated_feeds.devices.oscillator import Oscillator
from simulated_feeds.outing.scenario import Scenario
from tests.end_to_end.lying import LIES, LyingRun, LyingRuns

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Told:
    """One sentence, beside the truth."""

    second_s: float
    """Simulated time of the whole second it is of."""
    at_s: float
    """Simulated time it was in hand."""
    off: timedelta
    """What it shows, less the truth."""
    words: list[str]

    @property
    def behind_s(self) -> float:
        return self.at_s - self.second_s


def told(run: LyingRun, kind: str) -> list[Told]:
    """Every RMC or ZDA: one a second, none is missing, so their order says which second."""
    records = run.records("clock")
    records = records[records["kind"] == kind.encode()]
    at_s = (records["tick"].astype(np.int64) - run.began_ns) / 1e9
    faults = [f for f in map(parse_fault, run.lie.faults) if f.strikes(DeviceName.CLOCK)]
    # But for what is asked of it, the quickest comes within the second that follows its own.
    first = np.min(at_s - np.arange(len(at_s))) - added(faults, FaultKind.LATE, 0.0)
    first_s = run.utc0_ns // 10**9 + np.floor(first + run.utc0_ns % 10**9 / 1e9)
    out = []
    for number, record in enumerate(records):
        words = record["sentence"].decode().partition("*")[0].split(",")
        day = words[9] if kind == "RMC" else f"{words[2]}{words[3]}{words[4][2:]}"
        shown = datetime.strptime(f"{day} {words[1][:6]} +0000", "%d%m%y %H%M%S %z")
        true_s = int(first_s) + number
        off = shown - datetime.fromtimestamp(true_s, UTC)
        second_s = (true_s * 10**9 - run.utc0_ns) / 1e9
        out.append(Told(second_s, float(at_s[number]), off, words))
    return out


@pytest.mark.parametrize("lie", LIES)
def test_every_run_is_sealed_and_lost_nothing(lying: LyingRuns, lie: str) -> None:
    """A lie is no damage: what came is kept, all of it."""
    with open_run(lying[lie].path) as run:
        assert run.complete
        assert sum(gap.lost_records for gap in run.gaps()) == 0


@pytest.mark.parametrize(
    ("lie", "off"),
    [
        ("week rollover, spikes", -timedelta(weeks=1024)),
        ("years back, faster", -timedelta(days=7305)),
        ("latency steps, leap seconds miscounted", -timedelta(seconds=14)),
    ],
)
@pytest.mark.parametrize("kind", ["RMC", "ZDA"])
def test_a_wrong_time(lying: LyingRuns, lie: str, off: timedelta, kind: str) -> None:
    """Every sentence is off by just that, from the first to the last."""
    run = lying[lie]
    sentences = told(run, kind)
    assert len(sentences) >= 17
    assert {s.off for s in sentences} == {off}
    assert min(s.behind_s for s in sentences) == pytest.approx(0.1, abs=0.05)


def test_a_jump_in_mid_run(lying: LyingRuns) -> None:
    sentences = told(lying["jump, half the pulses"], "RMC")
    assert {s.off for s in sentences if s.second_s < 10.0} == {timedelta()}
    assert {s.off for s in sentences if s.second_s >= 10.0} == {timedelta(hours=1)}


def test_a_count_that_creeps_at_rest(lying: LyingRuns) -> None:
    """2000 counts a second for ten seconds, and it stays there; the wheel stands."""
    run = lying["zda a day off, creep"]
    cell = run.records("drawbar")
    at_s = run.scenario.cell_clock.time_s(cell["tick"].astype(np.int64))
    levels = [
        cell["ch0"][(at_s > a) & (at_s < b)].mean() for a, b in ((3, 5), (9, 11), (16, 18))
    ]
    assert levels[1] - levels[0] == pytest.approx(10_000.0, abs=200.0)
    assert levels[2] - levels[0] == pytest.approx(20_000.0, abs=200.0)
    assert np.unique(run.records("wheel")["count"]).size == 1


def test_leap_seconds_learnt_late(lying: LyingRuns) -> None:
    """18 s ahead for the first ten seconds, then right."""
    sentences = told(lying["leap seconds late, stuck"], "ZDA")
    assert {s.off for s in sentences if s.second_s < 10.0} == {timedelta(seconds=18)}
    assert {s.off for s in sentences if s.second_s >= 10.0} == {timedelta()}


def pulse_s(run: LyingRun) -> np.ndarray:
    """(p,) simulated times at which the wheel took its pulses per second."""
    records = run.records("wheel")
    ticks = np.unique(records["pps_tick"][records["flags"] & 4 > 0])
    return run.scenario.wheel_clock.time_s(ticks.astype(np.int64))


def test_sentences_after_the_next_pulse(lying: LyingRuns) -> None:
    """Each comes more than a second late, and another pulse was taken in between."""
    run = lying["late sentences"]
    pulses = pulse_s(run)
    into = run.utc0_ns % 10**9 / 1e9
    assert np.abs((pulses + into + 0.5) % 1.0 - 0.5).max() < 1e-5
    for sentence in told(run, "RMC"):
        assert sentence.off == timedelta()
        assert sentence.behind_s > 1.1
        if sentence.at_s < pulses[-1]:
            assert np.any((pulses > sentence.second_s + 0.5) & (pulses < sentence.at_s))


def test_pulses_by_the_wrong_edge(lying: LyingRuns) -> None:
    """0.2 s after each second, to the tick; the sentences are right."""
    run = lying["wrong edge"]
    into = run.utc0_ns % 10**9 / 1e9
    assert (pulse_s(run) + into) % 1.0 == pytest.approx(0.2, abs=1e-5)
    assert {s.off for s in told(run, "RMC")} == {timedelta()}


def test_kinds_that_disagree(lying: LyingRuns) -> None:
    run = lying["zda a day off, creep"]
    for kind, off in (("RMC", timedelta()), ("ZDA", timedelta(days=1))):
        assert {s.off for s in told(run, kind)} == {off}


def test_time_that_runs_on_without_a_fix(lying: LyingRuns) -> None:
    run = lying["holdover, rail"]
    sentences = told(run, "RMC")
    assert {s.words[2] for s in sentences if s.second_s < 8.0} == {"A"}
    assert {s.words[2] for s in sentences if s.second_s >= 8.0} == {"V"}
    dated = told(run, "ZDA")
    # The stop may come between the two sentences of one second.
    assert len(sentences) - len(dated) in {0, 1}
    assert {s.off for s in dated} == {timedelta()}


def clock_of(scenario: Scenario, device: str) -> Oscillator:
    """The clock that a device's ticks are of."""
    return scenario.cell_clock if device == "drawbar" else scenario.wheel_clock


@pytest.mark.parametrize("device", ["drawbar", "wheel"])
def test_ticks_of_a_resonator(lying: LyingRuns, device: str) -> None:
    """5000 ppm and the honest device's own few more than the frame says, by receipt."""
    run = lying["resonator"]
    ticks = run.records(device)["tick"].astype(np.int64)
    last, received_s = run.received_s(device)
    own = clock_of(run.scenario, device)
    late_s = received_s - (ticks[last] - own.tick0) / 1e6 / (1.005 + 1e-6 * own.ppm)
    # The least of many blocks, at either end: receipt can only be late.
    early, late = late_s[received_s < 5.0].min(), late_s[received_s > 15.0].min()
    assert late == pytest.approx(early, abs=0.01)
    assert np.all(np.diff(ticks) == (500 if device == "drawbar" else 10_000))


@pytest.mark.parametrize("device", ["drawbar", "wheel"])
def test_latency_that_steps(lying: LyingRuns, device: str) -> None:
    """The floor is 5 ms higher from 10 s on."""
    run = lying["latency steps, leap seconds miscounted"]
    ticks = run.records(device)["tick"].astype(np.int64)
    last, received_s = run.received_s(device)
    late_s = received_s - clock_of(run.scenario, device).time_s(ticks[last])
    before, after = late_s[received_s < 9.9], late_s[received_s > 10.1]
    # The quickest of hundreds: a busy machine holds up more than one in twenty.
    assert after.min() - before.min() == pytest.approx(0.005, abs=0.0015)


@pytest.mark.parametrize("device", ["drawbar", "wheel"])
def test_ticks_of_an_oscillator_that_warms_up(lying: LyingRuns, device: str) -> None:
    """2 % fast and 28 ppm a second on top: 5 ms more within the run than 2 % alone."""
    run = lying["warming up, silent receiver"]
    ticks = run.records(device)["tick"].astype(np.int64)
    last, received_s = run.received_s(device)
    own = clock_of(run.scenario, device)
    alone, whole = (
        received_s - replace(own, faults=tuple(map(parse_fault, faults))).time_s(ticks[last])
        for faults in (run.lie.faults[:1], run.lie.faults)
    )
    early, late = received_s < 5.0, received_s > 15.0
    assert whole[late].min() == pytest.approx(whole[early].min(), abs=0.001)
    # 28 ppm a second for 15 s and more, squared and halved.
    assert alone[late].min() - alone[early].min() < -0.002


def test_latency_with_a_heavy_tail_and_uneven_sentences(lying: LyingRuns) -> None:
    """Pareto draws of scale 2 ms: one block in thirty-six comes 20 ms late and more."""
    run = lying["uneven, silent wheel"]
    ticks = run.records("drawbar")["tick"].astype(np.int64)
    last, received_s = run.received_s("drawbar")
    # Of a block of several frames the first: it held the others up, which are the less late.
    first = np.concatenate([[0], last[:-1] + 1])
    last_of_first = np.minimum(first + run.scenario.front.samples - 1, last)
    late_s = received_s - run.scenario.cell_clock.time_s(ticks[last_of_first])
    assert late_s.min() > 0.0
    # Of n draws with P(late > ten scales) = 11 ** -1.5 (Lomax, shape 1.5), within four deviations.
    n, share = len(late_s), 11.0**-1.5
    expected, spread = n * share, math.sqrt(n * share * (1.0 - share))
    assert np.count_nonzero(late_s > 0.02) > expected - 4.0 * spread
    behind_s = [s.behind_s for s in told(run, "RMC")]
    assert np.std(behind_s) > 0.1
    assert min(behind_s) > 0.08


def test_devices_that_fall_silent(lying: LyingRuns) -> None:
    """After 8 s, though their ports stay open; the others go on to the end."""
    run = lying["uneven, silent wheel"]
    ends = {
        name: clock_of(run.scenario, name).time_s(
            run.records(name)["tick"][-1].astype(np.int64)
        )
        for name in ("drawbar", "wheel")
    }
    assert ends["wheel"] == pytest.approx(8.0, abs=0.02)
    assert ends["drawbar"] > 15.0
    sentences = told(lying["warming up, silent receiver"], "RMC")
    assert 6.0 < max(s.second_s for s in sentences) < 8.0


def test_counts_that_are_stuck(lying: LyingRuns) -> None:
    """The pull from 32 s to 38 s, the wheel from 39 s to 51 s while the train moves."""
    run = lying["leap seconds late, stuck"]
    cell, wheel = run.records("drawbar"), run.records("wheel")
    at_s = run.scenario.cell_clock.time_s(cell["tick"].astype(np.int64))
    held = (at_s > 32.01) & (at_s < 37.99)
    assert np.unique(cell["ch0"][held]).size == 1
    assert np.unique(cell["ch0"][at_s < 31.99]).size > 100
    at_s = run.scenario.wheel_clock.time_s(wheel["tick"].astype(np.int64))
    held = (at_s > 39.01) & (at_s < 50.99)
    assert np.unique(wheel["count"][held]).size == 1
    assert np.ptp(wheel["count"][at_s > 51.1]) > 100


def test_spikes(lying: LyingRuns) -> None:
    """Ten samples ten times as large as their neighbours."""
    run = lying["week rollover, spikes"]
    cell = run.records("drawbar")
    counts = cell["ch0"].astype(np.float64)
    around = (counts[:-2] + counts[2:]) / 2.0
    spikes = np.flatnonzero(np.abs(counts[1:-1] - around) > 3.0 * np.abs(around)) + 1
    at_s = run.scenario.cell_clock.time_s(cell["tick"][spikes].astype(np.int64))
    assert at_s == pytest.approx(np.arange(6.0, 16.0), abs=0.001)
    rail = 2**23 - 1
    assert counts[spikes] == pytest.approx(np.minimum(10.0 * around[spikes - 1], rail), rel=0.3)


def test_a_count_at_the_rail(lying: LyingRuns) -> None:
    """Four seconds of it."""
    cell = lying["holdover, rail"].records("drawbar")
    assert np.count_nonzero(cell["ch0"] == 2**23 - 1) == pytest.approx(8000, abs=2)


def test_half_the_pulses(lying: LyingRuns) -> None:
    """At 18 s the count goes on at half its rate, at 52 s at all of it."""
    run = lying["jump, half the pulses"]
    wheel = run.records("wheel")
    at_s = run.scenario.wheel_clock.time_s(wheel["tick"].astype(np.int64))
    rates = [
        np.ptp(wheel["count"][(at_s > a) & (at_s < a + 0.2)])
        for a in (17.79, 18.01, 51.79, 52.01)
    ]
    assert rates[1] / rates[0] == pytest.approx(0.5, abs=0.1)
    assert rates[2] / rates[3] == pytest.approx(0.5, abs=0.1)


def test_devices_faster_than_the_sheet_says(lying: LyingRuns) -> None:
    run = lying["years back, faster"]
    cell, wheel = run.records("drawbar"), run.records("wheel")
    assert np.all(np.diff(cell["tick"].astype(np.int64)) == 400)
    assert np.all(np.diff(wheel["tick"].astype(np.int64)) == 8000)
