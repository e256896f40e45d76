"""A recording in simulated time: what its clocks and devices carry is exact, and the same again."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recorder.acquisition.preparation.settings import Outcome, RecordingSettings
from recorder.acquisition.process import simulated
from recorder.acquisition.process.simulated import (
    ORIGIN_NS,
    PORT,
    Desk,
    Emitted,
    Outage,
    record_simulated,
)
from recorder.acquisition.safekeeping.keeper import Keeper
from recorder.keeping.journal_connection import Connect, open_connection
from recorder.machine.version import BUILT_ON
from recorder.marks.kinds import Kind
from recorder.run.checks.zero_line import ZeroTime
from recorder.run.parts.gap import Cause
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.parts.proof import State
from recorder.run_file.proof.whole.prove_file import prove_file
from recorder.run_file.seal.verify import verify_run
from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.outing.scenario import Scenario, make_scenario
from simulated_feeds.outing.simulated_outing import SimulatedOuting
from simulated_feeds.physics.coarse_train import CoarseTrain
from simulated_feeds.sheets.sheet_files import write_sheets
from tests.recorder.faulty_journal import Faults

DAY_NS = 86_400 * 10**9
UTC0_NS = (BUILT_ON.toordinal() - 719_163) * DAY_NS + DAY_NS // 2
"""Noon of the day this version was made: no receiver is believed before it."""
ZERO_S = 3.0
RUN_S = 40.0
UNPLUGGED = Outage(DeviceName.WHEEL, 20.0, 23.0)
LATEST_S = 0.003
"""From due to in hand, at the most."""

pytestmark = pytest.mark.slow


def scenario() -> Scenario:
    made = make_scenario(
        5, utc0_ns=UTC0_NS, cars=3, channels=1, sample_rate_hz=200, depart_t_s=5.0
    )
    return replace(made, wheel=replace(made.wheel, frame_s=0.1))


class Keying:
    """Keys one mark in the zero, one in the run, and takes back the second; asks for a zero while
    the train stands."""

    def __init__(self) -> None:
        self.left = [(1.5, "half"), (12.2502137, "full")]
        self.zero_due = True

    def look(self, now_s: float, desk: Desk) -> None:
        if self.zero_due and now_s >= 3.0:
            self.zero_due = False
            desk.take_zero(now_s, 1.0)
        while self.left and self.left[0][0] <= now_s:
            at_s, value = self.left.pop(0)
            mark = desk.key(Kind.THROTTLE, value, at_s)
            if value == "full":
                desk.revise(mark.revised(withdrawn=True))


def record(
    folder: Path,
    *,
    seconds: float | None = RUN_S,
    speed: float | None = None,
    connect: Connect = open_connection,
) -> Outcome:
    folder.mkdir(parents=True)
    made = scenario()
    ports = {str(name): f"{PORT}{name}" for name in DeviceName}
    sheets = write_sheets(folder, made, ports)
    return record_simulated(
        RecordingSettings(
            car_sheet=sheets.car, trip_sheet=sheets.trip, out=folder / "run.h5", seconds=seconds
        ),
        SimulatedOuting(made, until_s=60.0, mover=CoarseTrain(made.journey)),
        utc0_ns=UTC0_NS,
        crew=Keying(),
        outages=[UNPLUGGED],
        speed=speed,
        seed=5,
        connect=connect,
    )


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("simulated") / "a"
    outcome = record(folder)
    assert outcome.exit_code == 0
    assert outcome.duration_s == pytest.approx(RUN_S, abs=0.01)
    return folder / "run.h5"


def test_run_time_is_simulated_time(run: Path) -> None:
    with open_run(run) as opened:
        header = opened.header
        assert header.simulated_speed == 1.0
        assert header.started_monotonic_ns == ORIGIN_NS + round(ZERO_S * 1e9)
        assert header.started_utc_ns == UTC0_NS + round(ZERO_S * 1e9)
        anchors = opened.events("clock_anchor")
    assert len(anchors) >= RUN_S
    for anchor in anchors:
        passed_ns = anchor.data["monotonic_ns"] - header.started_monotonic_ns
        assert anchor.t_s == pytest.approx(passed_ns / 1e9, abs=1e-9)
        assert anchor.data["utc_ns"] - header.started_utc_ns == passed_ns


def test_a_sample_lies_at_the_instant_at_which_the_device_took_it(run: Path) -> None:
    """The device's own clock errs by some 30 ppm, and its bytes come some milliseconds late."""
    with open_run(run) as opened:
        pull = np.asarray(opened.channels["pull"].time_s())
        wheel = np.asarray(opened.channels["distance"].time_s())
    for times, step_s in ((pull, 0.005), (wheel, 0.1)):
        assert np.ptp(np.diff(times)[np.diff(times) < 2 * step_s]) < 1e-5
        taken_s = np.rint((times + ZERO_S) / step_s) * step_s
        assert np.abs(times + ZERO_S - taken_s).max() < LATEST_S + 0.001
    assert pull[0] == pytest.approx(0.0, abs=0.01)
    assert pull[-1] == pytest.approx(RUN_S, abs=0.12)  # a frame holds 20 samples


def test_a_mark_lies_where_it_was_keyed(run: Path) -> None:
    with open_run(run) as opened:
        first, second, taken_back = opened.revisions()
    assert first.t_s == pytest.approx(1.5 - ZERO_S, abs=1e-6)
    assert second.t_s == pytest.approx(12.2502137 - ZERO_S, abs=1e-6)
    assert (taken_back.mark_id, taken_back.withdrawn) == (second.mark_id, True)
    assert UTC0_NS <= first.entered_utc_ns <= UTC0_NS + 2 * 10**9


def test_a_zero_asked_for_in_the_run_is_taken_over_its_own_seconds(run: Path) -> None:
    with open_run(run) as opened:
        before, during = opened.zeros()
    assert (before.when, during.when) == (ZeroTime.BEFORE, ZeroTime.DURING)
    assert during.t_s == pytest.approx(0.5, abs=0.51)
    assert during.holds
    assert during.counts == pytest.approx(before.counts, abs=200.0)


def test_a_drawn_plug_is_a_gap_of_so_many_simulated_seconds(run: Path) -> None:
    with open_run(run) as opened:
        (gap,) = opened.gaps()
    assert (gap.device, gap.cause) == (UNPLUGGED.device, Cause.LINK_LOST)
    assert gap.t_start_s == pytest.approx(UNPLUGGED.from_s - ZERO_S, abs=0.3)
    # A lost port is tried again every two seconds in the end.
    lost_s = UNPLUGGED.to_s - ZERO_S
    assert lost_s <= gap.t_end_s <= lost_s + 2.5


def test_the_file_is_sound_and_contradicts_itself_nowhere(run: Path) -> None:
    assert verify_run(run) == []
    told = [proof for proof in prove_file(run) if proof.state is State.CONTRADICTED]
    assert told == []


def test_the_same_seed_gives_the_same_run_at_any_pace(run: Path, tmp_path: Path) -> None:
    record(tmp_path / "again", speed=17.0)
    with open_run(run) as one, open_run(tmp_path / "again" / "run.h5") as two:
        assert one.header.run_id != two.header.run_id
        assert replace(one.header, run_id="") == replace(two.header, run_id="")
        assert one.revisions() == two.revisions()
        assert one.gaps() == two.gaps()
        assert one.zeros() == two.zeros()
        assert list(one.channels) == list(two.channels)
        for name, channel in one.channels.items():
            other = two.channels[name]
            assert np.array_equal(channel.time_s(), other.time_s()), name
            assert np.array_equal(channel.counts(), other.counts(), equal_nan=True), name
            assert np.array_equal(channel.values(), other.values(), equal_nan=True), name


def test_a_source_that_ends_ends_the_run(tmp_path: Path) -> None:
    outcome = record(tmp_path / "whole", seconds=None)
    assert outcome.reason == "nothing more is simulated"
    assert outcome.duration_s == pytest.approx(60.0 - ZERO_S, abs=1.0)


def test_silence_is_noticed_in_simulated_seconds(tmp_path: Path) -> None:
    """A wheel that stops speaking is lost when its sheet says so, not by the computer's clock."""

    class Falling:
        def __init__(self, whole: SimulatedOuting) -> None:
            self.whole = whole

        @property
        def t_s(self) -> float:
            return self.whole.t_s

        def advance(self) -> Mapping[str, Sequence[Emitted]] | None:
            given = self.whole.advance()
            if given is not None and self.t_s > 15.0:
                given[DeviceName.WHEEL] = []
            return given

    made = scenario()
    ports = {str(name): f"{PORT}{name}" for name in DeviceName}
    sheets = write_sheets(tmp_path, made, ports)
    record_simulated(
        RecordingSettings(
            car_sheet=sheets.car, trip_sheet=sheets.trip, out=tmp_path / "run.h5", seconds=30.0
        ),
        Falling(SimulatedOuting(made, until_s=60.0, mover=CoarseTrain(made.journey))),
        utc0_ns=UTC0_NS,
    )
    with open_run(tmp_path / "run.h5") as opened:
        (gap,) = opened.gaps(DeviceName.WHEEL)
        (lost,) = [e for e in opened.events("link") if e.data.get("state") == "lost"][:1]
    assert gap.t_start_s == pytest.approx(15.0 - ZERO_S, abs=3.0)
    assert gap.t_end_s == pytest.approx(30.0, abs=0.01)
    assert 1.0 < lost.t_s - gap.t_start_s < 6.0


def test_simulated_time_stands_still_while_a_commit_is_tried_again(
    run: Path, tmp_path: Path
) -> None:
    """The day is the same to the last count and mark, whatever the disk did meanwhile."""
    faults = Faults()
    for code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_INTERRUPT):
        for table in ("batches", "events", "marks"):
            faults.fail(code, at=f"INSERT INTO {table}", times=2)
    outcome = record(tmp_path / "b", seconds=15.0, connect=faults.connect)
    assert faults.met == 18
    assert (outcome.exit_code, outcome.gaps, outcome.marks) == (0, 0, 3)
    with open_run(run) as wanted, open_run(tmp_path / "b" / "run.h5") as found:
        counts = found.channels["pull"].counts()
        assert len(counts) >= 14.5 * 200
        assert np.array_equal(counts, wanted.channels["pull"].counts()[: len(counts)])
        assert [m.t_s for m in found.revisions()] == [m.t_s for m in wanted.revisions()]


def test_a_disk_that_never_works_again_ends_the_day_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Commits that fail one after the other are waited for once, not each for itself."""
    monkeypatch.setattr(simulated, "KEEP_S", 0.5)
    monkeypatch.setattr(simulated, "KEEP_PATIENCE_S", 1.0)
    usual = Keeper.stop.__kwdefaults__ or {}
    monkeypatch.setattr(Keeper.stop, "__kwdefaults__", {**usual, "patience_s": 0.2})
    faults = Faults()
    faults.fail(sqlite3.SQLITE_IOERR_FSYNC, at="INSERT INTO batches", times=10**9)
    began_s = time.monotonic()
    outcome = record(tmp_path / "day", seconds=30.0, connect=faults.connect)
    assert time.monotonic() - began_s < 60 * simulated.KEEP_PATIENCE_S
    assert sum(outcome.records.values()) == 0
    assert outcome.exit_code != 0
    assert outcome.problem
