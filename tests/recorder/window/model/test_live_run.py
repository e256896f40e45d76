"""The run as the window sees it: workers, alarms, loss and return of the recording."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from recorder.acquisition.control.client import SessionLostError
from recorder.acquisition.control.requests import KeyedMark
from recorder.keeping.journal import Journal
from recorder.marks.mark import Mark
from recorder.run.checks.shunt_check import ShuntStep
from recorder.run.parts.states import DeviceState, FilerState, RunState
from recorder.window.model.crew.mark_list import Entry, EntryState
from recorder.window.model.live.control_worker import (
    ControlReport,
    ShuntRead,
    Trouble,
    ZeroTaken,
)
from recorder.window.model.live.device_lines import Level
from recorder.window.model.live.live_run import LiveRun

if TYPE_CHECKING:
    from tests.recorder.window.conftest import FakeSession, Kit


def await_report(run: LiveRun, kind: type[object]) -> None:
    """Wait until the worker has brought one of this kind, then let the run take up all."""
    reports = run.control.reports
    seen: list[ControlReport] = []
    while not (seen and isinstance(seen[-1], kind)):
        seen.append(reports.get(timeout=10.0))
    for report in seen:
        reports.put(report)
    run.tick()


def state_of(entry: Entry) -> EntryState:
    """Asked anew each time: an entry changes behind the back of who holds it."""
    return entry.state


def shunt_due(run: LiveRun) -> bool:
    """Asked anew each time, as above."""
    return run.shunt_due


def texts(run: LiveRun) -> str:
    return " | ".join(a.text for a in run.alarms(time.monotonic_ns()))


def test_a_mark_goes_to_the_recording_with_its_instant(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    keyed = session.header.started_monotonic_ns + 1_500_000_000
    entry = run.marks.press("S", keyed)
    assert entry is not None
    assert state_of(entry) is EntryState.PENDING
    kit.settle(run)
    assert state_of(entry) is EntryState.TAKEN
    assert session.asked == [("mark", ("station", keyed, ""))]
    assert entry.mark.t_s == pytest.approx(1.5)


def test_a_refused_mark_says_why(run: LiveRun, session: FakeSession, kit: Kit) -> None:
    session.refuse = "an instant outside the run"
    run.marks.press("S", session.header.started_monotonic_ns)
    kit.settle(run)
    assert run.message == "an instant outside the run"


def test_a_lost_recording_is_loud_and_marks_are_sent_when_it_is_back(
    session: FakeSession, kit: Kit
) -> None:
    def again() -> Any:
        if session.gone:
            raise SessionLostError(session.gone)
        return session

    run = kit.make_run(session, attach_again=again)
    kit.settle(run)
    session.gone = "the recording of run.h5 does not answer"
    entry = run.marks.press("S", session.header.started_monotonic_ns)
    assert entry is not None
    kit.settle(run, now_s=1.0)
    assert state_of(entry) is EntryState.UNSURE
    assert "does not answer" in texts(run)
    assert "NOT confirmed" in texts(run)
    kit.settle(run, now_s=3.0)
    session.gone = ""
    kit.settle(run, now_s=5.0)
    kit.settle(run, now_s=7.0)
    assert state_of(entry) is EntryState.TAKEN
    assert run.lost == ""
    assert len(session.revisions) == 1
    run.close()


HANGS_S = 20.0
"""Much longer than what the window does meanwhile takes on a busy machine."""


def test_a_recording_that_hangs_does_not_hold_the_window(
    session: FakeSession, kit: Kit
) -> None:
    free = threading.Event()
    asked = threading.Event()

    class Hanging(kit.FakeSession):  # type: ignore[name-defined,misc]  # from a fixture
        def take(self, keyed: KeyedMark) -> Mark:
            asked.set()
            free.wait(HANGS_S)
            mark: Mark = super().take(keyed)
            return mark

    session = Hanging()
    run = kit.make_run(session)
    run.start()
    try:
        entry = run.marks.press("S", session.header.started_monotonic_ns)
        assert entry is not None
        assert asked.wait(5.0)
        began = time.monotonic()
        for _ in range(50):
            run.tick()
            run.alarms(time.monotonic_ns())
        assert time.monotonic() - began < HANGS_S / 2
        assert state_of(entry) is EntryState.PENDING
        assert run.marks.press("B", time.monotonic_ns()) is not None
    finally:
        free.set()
        run.close()


def test_workers_end_with_the_run(session: FakeSession, kit: Kit) -> None:
    before = set(threading.enumerate())
    run = kit.make_run(session)
    run.start()
    run.close()
    assert set(threading.enumerate()) == before
    assert session.closed
    assert all(ring.closed for ring in session.rings.values())


def test_workers_bring_what_comes(session: FakeSession, kit: Kit) -> None:
    run = kit.make_run(session)
    run.start()
    try:
        session.send_pull(0.0, np.full(400, 10.0))
        run.ring_worker.chunks.put(run.ring_worker.chunks.get(timeout=10.0))
        run.tick()
        assert run.traces.newest_s > 0.1
    finally:
        run.close()


def test_an_error_in_the_ring_is_told_and_marks_go_on(
    session: FakeSession, kit: Kit, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(**_: object) -> list[Any]:
        msg = "mapping is gone"
        raise OSError(msg)

    monkeypatch.setattr(session.rings["wheel"], "poll", broken)
    run = kit.make_run(session)
    kit.settle(run)
    assert "traces stopped: OSError: mapping is gone" in texts(run)
    entry = run.marks.press("S", session.header.started_monotonic_ns)
    assert entry is not None
    kit.settle(run)
    assert state_of(entry) is EntryState.TAKEN
    run.close()


def test_a_worker_whose_ring_is_gone_ends_by_itself(
    session: FakeSession, kit: Kit, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(**_: object) -> list[Any]:
        msg = "mapping is gone"
        raise OSError(msg)

    monkeypatch.setattr(session.rings["wheel"], "poll", broken)
    before = set(threading.enumerate())
    run = kit.make_run(session)
    run.start()
    for thread in set(threading.enumerate()) - before:
        if thread.name == "window rings":
            thread.join(10.0)
            assert not thread.is_alive()
    assert "mapping is gone" in texts(run)
    run.close()


def test_marks_so_far_are_there_after_a_restart(session: FakeSession, kit: Kit) -> None:
    first = kit.make_run(session)
    first.marks.press("M", session.header.started_monotonic_ns)
    first.marks.press("M", session.header.started_monotonic_ns + 1_000_000_000)
    kit.settle(first)
    second = kit.make_run(session)
    kit.settle(second)
    assert [e.mark.value for e in second.marks.entries] == ["12", "13"]
    assert second.marks.next_milepost().text == "14"
    first.close()
    second.close()


def test_saturation_range_and_expiry_are_said(session: FakeSession, kit: Kit) -> None:
    cell = replace(kit.CELL, issued=date(2020, 1, 1), expires=date(2021, 1, 1))
    session.header = kit.header(cell=cell)
    run = kit.make_run(session)
    kit.settle(run)
    session.send_pull(0.0, np.full(200, 1e6))
    kit.settle(run)
    alarms = run.numerals.alarms(0.2)
    assert any("SATURATED" in a.text and a.level is Level.LOUD for a in alarms)
    assert any("expired" in a.text and a.level is Level.WARN for a in alarms)
    session.send_pull(10.0, np.full(200, 700.0))
    kit.settle(run)
    words = " ".join(a.text for a in run.numerals.alarms(10.2))
    assert "out of the certified range" in words
    assert "SATURATED" not in words
    run.close()


def test_one_saturated_sample_is_seen_for_seconds(
    session: FakeSession, kit: Kit, run: LiveRun
) -> None:
    kit.settle(run)
    pull = np.zeros(2000)
    pull[100] = 1e6
    session.send_pull(0.0, pull)
    kit.settle(run)
    assert run.numerals.alarms(2.0)
    assert not run.numerals.alarms(9.0)


def test_an_old_number_is_never_shown(session: FakeSession, kit: Kit, run: LiveRun) -> None:
    kit.settle(run)
    session.send_pull(0.0, np.full(2000, 80.0))
    kit.settle(run)
    assert run.numerals.reading("pull", 1.1).value == pytest.approx(80.0, abs=1e-3)
    assert np.isnan(run.numerals.reading("pull", 4.0).value)
    assert run.numerals.reading("pull", 4.0).age_s == pytest.approx(3.0, abs=0.01)


def test_numeral_is_the_mean_of_the_last_half_second(
    session: FakeSession, kit: Kit, run: LiveRun
) -> None:
    kit.settle(run)
    session.send_pull(0.0, np.concatenate((np.full(4000, 10.0), np.full(1001, 90.0))))
    kit.settle(run)
    assert run.numerals.reading("pull", 2.5).value == pytest.approx(90.0, abs=0.2)


def test_devices_disk_and_warnings_are_said(
    session: FakeSession, kit: Kit, run: LiveRun
) -> None:
    session.device_state, session.disk_hours_left = DeviceState.LOST, 0.2
    kit.settle(run)
    words = texts(run)
    assert "drawbar: LINK LOST" in words
    assert "drawbar" in run.traces.silent
    assert "disk 12 min left" in words


@pytest.mark.parametrize("state", [s for s in RunState if s.takes_marks])
def test_marks_are_taken_in_every_state_up_to_the_seal(
    session: FakeSession, kit: Kit, run: LiveRun, state: RunState
) -> None:
    session.state = state
    kit.settle(run)
    assert run.state is state
    entry = run.marks.press("S", time.monotonic_ns())
    assert entry is not None
    kit.settle(run)
    assert state_of(entry) is EntryState.TAKEN
    assert len(session.revisions) == 1


@pytest.mark.parametrize("state", [RunState.SEALING, RunState.ENDED])
def test_from_the_seal_on_no_mark_is_promised(
    session: FakeSession, kit: Kit, run: LiveRun, state: RunState
) -> None:
    session.state = state
    kit.settle(run)
    assert run.marks.press("S", time.monotonic_ns()) is None
    assert "no more marks are taken" in run.marks.hint


def test_a_window_that_came_during_the_zero_sees_the_run_begin(
    session: FakeSession, kit: Kit, run: LiveRun
) -> None:
    session.state = RunState.ZERO
    kit.settle(run, now_s=0.0)
    assert not run.is_ending
    session.state = RunState.RECORDING
    kit.settle(run, now_s=1.0)
    assert run.state is RunState.RECORDING


def test_a_mark_keyed_after_a_stop_was_asked_for_is_still_taken(kit: Kit, run: LiveRun) -> None:
    run.stop_recording()
    kit.settle(run)
    assert run.is_ending
    entry = run.marks.press("S", time.monotonic_ns())
    assert entry is not None
    kit.settle(run)
    assert state_of(entry) is EntryState.TAKEN


def test_a_recording_that_goes_after_its_stop_has_ended_and_is_no_alarm(
    session: FakeSession, kit: Kit, run: LiveRun
) -> None:
    session.state = RunState.STOPPING
    kit.settle(run, now_s=0.0)
    session.gone = "the recording of run.h5 has ended"
    kit.settle(run, now_s=1.0)
    assert run.state is RunState.ENDED
    assert [a.level for a in run.alarms(time.monotonic_ns())] == [Level.WARN]


def test_a_dead_filer_is_said(session: FakeSession, kit: Kit, run: LiveRun) -> None:
    session.filer = FilerState.RESTARTED
    kit.settle(run, now_s=0.0)
    assert "run file" not in texts(run)
    session.filer = FilerState.DEAD
    kit.settle(run, now_s=1.0)
    assert "the run file is not being written" in texts(run)


def test_zero_is_taken_without_holding_up_marks(run: LiveRun) -> None:
    run.take_zero()
    await_report(run, ZeroTaken)
    assert run.message == "pull: zero 1001.5 counts"


def test_a_shunt_check_is_read_twice_and_tells_when_to_move_the_shunt(
    run: LiveRun, session: FakeSession
) -> None:
    run.read_shunt(ShuntStep.OPEN)
    await_report(run, ShuntRead)
    assert shunt_due(run)
    assert run.message == "put the shunt ON; pull: without the shunt 1001.5 counts"
    run.read_shunt(ShuntStep.SHUNTED)
    await_report(run, ShuntRead)
    assert not shunt_due(run)
    assert run.message == "take the shunt OFF; pull: the shunt deflects it by 50000.0 counts"
    steps = [content for what, content in session.asked if what == "shunt"]
    assert steps == [(ShuntStep.OPEN, 3.0, "pull"), (ShuntStep.SHUNTED, 3.0, "pull")]


@pytest.mark.parametrize("state", [s for s in RunState if s is not RunState.RECORDING])
def test_checks_refused_in_another_state_say_so(
    run: LiveRun, session: FakeSession, state: RunState
) -> None:
    session.state = state
    run.take_zero()
    await_report(run, Trouble)
    assert run.message == f"zero not taken: not now: the recording is at {state}"
    run.read_shunt(ShuntStep.OPEN)
    await_report(run, Trouble)
    assert run.message == f"no shunt check: not now: the recording is at {state}"
    assert not run.shunt_due


def test_a_trip_sheet_is_not_needed(session: FakeSession, kit: Kit) -> None:
    session.header = replace(session.header, trip_sheet="")
    run = kit.make_run(session)
    assert run.trip.name == "run"
    run.close()


def test_distance_goes_on_from_the_journal_when_the_ring_has_forgotten(
    session: FakeSession, kit: Kit, tmp_path: Path
) -> None:
    """A window opened late counts metres from the run's first record, not from its own."""
    session.journal_path = tmp_path / "run.h5.journal"
    t = np.arange(500) / 100.0
    session.send_wheel(0.0, 20.0 * t)
    blocks = session.rings["wheel"].waiting
    first = blocks[0]
    with Journal.create(session.journal_path, session.header) as journal:
        journal.append([first], [])
        session.rings["wheel"].waiting = blocks[20:]
        run = kit.make_run(session)
        kit.settle(run)
        run.close()
    assert run.ring_worker.problem == ""
    assert run.traces.distance_m == pytest.approx(20.0 * t[-1], abs=0.01)
