"""Whole recordings on a disk that fails: nothing lost, everything told, every end a clean one."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from recorder.acquisition.control.client import LiveSession, attach
from recorder.acquisition.control.requests import KeyedMark, NotKeptYetError
from recorder.acquisition.preparation.settings import Outcome, RecordingSettings
from recorder.acquisition.process.pace import RealPace
from recorder.acquisition.process.recording import record
from recorder.acquisition.process.reports import SessionOpen, Started
from recorder.acquisition.process.running import StopWish
from recorder.acquisition.safekeeping.filer_supervisor import FilerSupervisor
from recorder.machine.clocks import now_ns
from recorder.run.parts.gap import Cause
from recorder.run.parts.states import RunState
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.parts.proof import State
from recorder.run_file.proof.whole.prove_file import prove_file
from tests.recorder.acquisition.process.conftest import Sheets, assert_unbroken, counts
from tests.recorder.faulty_journal import ALWAYS, Faults
from tests.recorder.listener import Listener

if TYPE_CHECKING:
    from recorder.acquisition.process.pace import Pace
    from tests.recorder.acquisition.conftest import FakeCell

pytestmark = pytest.mark.slow


class Desk:
    """A recording in a thread of this process, over a journal whose commits fail as planned."""

    def __init__(self, sheets: Sheets, out: Path, pace: Pace | None = None) -> None:
        self.out = out
        self.faults = Faults()
        self.listener = Listener()
        self.stop = StopWish()
        self.outcome: Outcome | None = None
        settings = RecordingSettings(car_sheet=sheets[0], trip_sheet=sheets[1], out=out)
        connect = self.faults.connect

        def run() -> None:
            self.outcome = record(settings, self.listener, self.stop, pace, connect=connect)

        self.thread = threading.Thread(target=run, name="recording")
        self.thread.start()

    def attach(self) -> LiveSession:
        self.listener.wait(SessionOpen)
        self.listener.wait(Started)
        return attach(self.out)

    def end(self) -> Outcome:
        self.stop.ask("stopped by the test")
        self.faults.mend()
        self.thread.join(60.0)
        assert self.outcome is not None
        return self.outcome


@pytest.fixture
def make_desk(
    tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]
) -> Iterator[Callable[..., Desk]]:
    made: list[Desk] = []
    sheets = make_sheets(tmp_path, cell.port)

    def make(pace: Pace | None = None) -> Desk:
        made.append(Desk(sheets, tmp_path / "run.h5", pace))
        return made[-1]

    yield make
    for desk in made:
        desk.stop.ask("the test is over")
        desk.faults.mend()
        desk.thread.join(60.0)


@pytest.fixture
def desk(make_desk: Callable[..., Desk]) -> Desk:
    return make_desk()


def keyed(value: str) -> KeyedMark:
    return KeyedMark(
        mark_id=f"{int(value):032x}", kind="milepost", keyed_monotonic_ns=now_ns(), value=value
    )


def test_commits_that_fail_for_seconds_lose_nothing_and_are_told(desk: Desk) -> None:
    with desk.attach() as session:
        desk.faults.fail(sqlite3.SQLITE_IOERR_FSYNC, times=ALWAYS)
        told = desk.listener.status(lambda s: s.keeping.stalled).keeping
        assert "planned fault" in told.why
        assert told.room_s is not None
        assert 5.0 < told.room_s < 3600.0
        assert "room for" in told.words
        mark = keyed("12")
        with pytest.raises(NotKeptYetError):
            session.take(mark)
        assert session.status().keeping.marks == 1
        assert session.marks() == []
        desk.faults.mend()
        desk.listener.status(lambda s: s.marks == 1 and not s.keeping.stalled)
        assert session.take(mark) == session.marks()[0], "keyed again it is the same mark"
        warnings = " | ".join(session.status().warnings)
    assert "nothing kept for" in warnings
    assert "kept again" in warnings
    assert "lost meanwhile" not in warnings
    outcome = desk.end()
    assert (outcome.problem, outcome.gaps, outcome.marks) == ("", 0, 1)
    assert_unbroken(desk.out, at_least=2000)
    with open_run(desk.out) as run:
        assert [m.value for m in run.marks()] == ["12"]
        assert run.gaps() == []
        assert outcome.records == {"drawbar": run.devices["drawbar"].n}


def test_a_frozen_disk_holds_up_no_client_and_no_stop(desk: Desk) -> None:
    with desk.attach() as session:
        desk.faults.freeze()
        assert desk.faults.frozen.wait(10.0)
        desk.listener.status(lambda s: s.keeping.stalled)
        with pytest.raises(NotKeptYetError, match="does not answer"):
            session.take(keyed("12"))
        assert session.status().state is RunState.RECORDING
        session.stop("from a window")
        waits = desk.listener.status(lambda s: s.state is RunState.SEALING)
        assert waits.keeping.stalled, "the end waits for the disk, and that is told"
        assert session.status().state is RunState.SEALING
    outcome = desk.end()
    assert (outcome.problem, outcome.reason, outcome.marks) == ("", "from a window", 1)
    assert_unbroken(desk.out, at_least=1000)


def test_what_was_never_kept_is_a_gap_up_to_the_stop(desk: Desk) -> None:
    """A disk with no room for records has some for the stop, and the outcome says the rest."""
    with desk.attach():
        desk.listener.status(lambda s: s.devices["drawbar"].records > 1000)
        desk.faults.fail(sqlite3.SQLITE_FULL, at="INSERT INTO batches", times=ALWAYS)
        desk.thread.join(60.0)
    outcome = desk.outcome
    assert outcome is not None
    assert "disk full" in outcome.problem
    assert "not kept at the end" in outcome.problem
    assert (outcome.sealed, outcome.exit_code) == (True, 2)
    kept = counts(desk.out)
    assert_unbroken(desk.out, at_least=1000)
    assert outcome.records == {"drawbar": len(kept)}
    with open_run(desk.out) as run:
        (stop,) = [event for event in run.events() if event.kind == "stop"]
        (gap,) = [gap for gap in run.gaps() if gap.cause is Cause.RING_OVERRUN]
    assert not [p for p in prove_file(desk.out) if p.state is State.CONTRADICTED]
    assert gap.before_record == len(kept)
    assert gap.lost_records == stop.data["records"]["drawbar"] - len(kept) > 0
    assert gap.t_end_s == stop.t_s == outcome.duration_s


def test_what_fails_every_second_is_told_once_and_recording_goes_on(
    make_desk: Callable[..., Desk], monkeypatch: pytest.MonkeyPatch
) -> None:
    def look(_supervisor: FilerSupervisor) -> None:
        msg = "no processes left"
        raise OSError(11, msg)

    class Blind(RealPace):
        """The computer's clock does not read any more once the run has begun."""

        def pass_time(self, seconds: float) -> None:
            super().pass_time(seconds)
            monkeypatch.setattr(self.timepiece, "read", lambda: 1 // 0)

    monkeypatch.setattr(FilerSupervisor, "look", look)
    desk = make_desk(Blind())
    with desk.attach() as session:
        status = desk.listener.status(lambda s: s.t_s > 1.5)
        assert session.take(keyed("12")).value == "12"
        assert session.status().utc_ns > 0
    told = [w for w in status.warnings if "recording goes on" in w]
    assert sum("the filer: not known now (no processes left)" in w for w in told) == 1
    assert (
        sum("the computer's clocks: internal error, ZeroDivisionError" in w for w in told) == 1
    )
    outcome = desk.end()
    assert (outcome.problem, outcome.sealed) == ("", True)
    assert_unbroken(desk.out, at_least=2000)
    with open_run(desk.out) as run:
        kinds = [event.kind for event in run.events()]
    assert kinds.count("health") >= 2
    assert "bug" in kinds


def test_a_mistake_in_the_main_loop_ends_the_run_as_every_stop_does(
    make_desk: Callable[..., Desk],
) -> None:
    class Breaking(RealPace):
        left = 12

        def pass_time(self, seconds: float) -> None:
            super().pass_time(seconds)
            self.left -= 1
            if not self.left:
                msg = "a mistake"
                raise KeyError(msg)

    desk = make_desk(Breaking())
    desk.thread.join(60.0)
    outcome = desk.outcome
    assert outcome is not None
    assert "internal error: KeyError: 'a mistake'" in outcome.problem
    assert (outcome.sealed, outcome.internal_error, outcome.exit_code) == (True, True, 2)
    assert_unbroken(desk.out, at_least=1000)
    with open_run(desk.out) as run:
        assert [e.kind for e in run.events()].count("stop") == 1
