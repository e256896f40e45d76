"""A filer that dies, or that cannot be started, costs the live file and never the recording."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from recorder.acquisition.safekeeping.filer_supervisor import WAITS_S, FilerSupervisor
from recorder.keeping.errors import SealBugError, SealError
from recorder.keeping.filer_process import FilerProcess
from recorder.keeping.filer_reports import Filed
from recorder.run.parts.progress import untold
from recorder.run.parts.states import FilerState


class FakeFiler:
    """A filer that has died, or works."""

    def __init__(self) -> None:
        self.problem = ""
        self.filed: Filed | None = None
        self.unsigned = ""
        self.sealed = False
        self.killed = 0
        self.refuses: Exception | None = None

    def kill(self) -> None:
        self.killed += 1
        self.problem = self.problem or "killed"

    def seal(self, **_: object) -> None:
        if self.refuses is not None:
            raise self.refuses
        self.sealed = True


class Desk:
    """A supervisor with a hand-wound clock; starting a filer fails as a test says."""

    def __init__(self, folder: Path) -> None:
        self.now_s = 0.0
        self.fails: Exception | None = None
        self.started: list[FakeFiler] = []
        self.started_s: list[float] = []
        self.warnings: list[str] = []
        self.slept: list[float] = []
        self.run_path = folder / "run.h5"
        self.journal_path = folder / "run.h5.journal"
        self.journal_path.touch()
        self.supervisor = FilerSupervisor(
            self.journal_path,
            self.run_path,
            warn=self.warnings.append,
            start=self.start,
            now_s=lambda: self.now_s,
            sleep=self.sleep,
        )

    def start(self, _journal: Path, _run: Path, _key: Path | None) -> FilerProcess:
        if self.fails is not None:
            raise self.fails
        self.started.append(FakeFiler())
        self.started_s.append(self.now_s)
        return cast("FilerProcess", cast("Any", self.started[-1]))

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)

    def look_for(self, seconds: float) -> None:
        """Look once a second, as the main thread does."""
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.supervisor.look()
            self.now_s += 1.0


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path)
    yield made
    made.supervisor.abandon()


@pytest.mark.parametrize(
    "error",
    [
        BlockingIOError(11, "Resource temporarily unavailable"),
        OSError(12, "Cannot allocate memory"),
        FileExistsError(17, "a run file is there already"),
        RuntimeError("can't start new thread"),
    ],
)
def test_one_that_cannot_be_started_is_tried_after_waits_that_grow(
    desk: Desk, error: Exception
) -> None:
    desk.started[0].problem = "ended with code -9"
    desk.fails = error
    desk.look_for(sum(WAITS_S[:3]) - 1.0)
    assert desk.supervisor.state is FilerState.RESTARTED
    assert len(desk.warnings) == 3
    assert "cannot be started" in desk.warnings[-1]
    desk.fails = None
    desk.look_for(3.0)
    assert len(desk.started) == 2
    assert len(desk.warnings) == 3
    assert desk.supervisor.state is FilerState.RESTARTED


def test_one_that_dies_again_and_again_is_given_up_until_the_stop(desk: Desk) -> None:
    for _ in range(2000):
        desk.started[-1].problem = "ended with code -11"
        desk.look_for(1.0)
    assert len(desk.started) == 1 + len(WAITS_S)
    state = desk.supervisor.state
    assert state is FilerState.DEAD
    assert len(desk.warnings) == 1 + len(WAITS_S), "told each time, and then no more"
    assert "at the stop" in desk.warnings[-1]
    desk.supervisor.seal(untold)
    assert desk.started[-1].sealed
    assert len(desk.started) == 2 + len(WAITS_S)


def test_at_the_stop_a_process_that_cannot_be_had_is_waited_for(desk: Desk) -> None:
    desk.started[0].problem = "ended with code -9"
    desk.fails = BlockingIOError(11, "Resource temporarily unavailable")
    desk.supervisor.look()
    with pytest.raises(SealError, match="temporarily unavailable"):
        desk.supervisor.seal(untold)
    assert desk.slept[-1] > desk.slept[0]


def test_each_start_waits_longer_than_the_one_before(desk: Desk) -> None:
    """A file that cannot be written now must not be begun anew every second for ever."""
    while desk.supervisor.state is not FilerState.DEAD:
        desk.started[-1].problem = "ended with code -11"
        desk.look_for(1.0)
    waits_s = [b - a for a, b in zip(desk.started_s, desk.started_s[1:], strict=False)]
    assert waits_s[0] == 0.0
    for wait_s, meant_s in zip(waits_s[1:], WAITS_S[1:], strict=True):
        assert meant_s <= wait_s <= meant_s + 2.0
    told = [words for words in desk.warnings if "started again" in words]
    assert told[0].endswith("started again from the journal")
    assert told[1].endswith("started again from the journal in 5 s")


class TestSealing:
    """At the stop the run is sealed by whichever filer can, once more where one could not."""

    def test_a_seal_that_fails_is_tried_once_more_from_the_journal(self, desk: Desk) -> None:
        desk.run_path.write_bytes(b"half a file")
        desk.started[0].refuses = SealError("records are not those of the journal")
        desk.supervisor.seal(untold)
        assert [filer.sealed for filer in desk.started] == [False, True]
        assert desk.started[0].killed == 1
        assert not desk.run_path.exists(), "filed anew from the first row"
        assert desk.supervisor.state is FilerState.RESTARTED
        (told,) = desk.warnings
        assert "records are not those of the journal" in told

    def test_and_no_third_time(self, desk: Desk) -> None:
        """One that was started again has filed everything anew already."""
        desk.started[0].problem = "ended with code -9"
        desk.supervisor.look()
        desk.started[1].refuses = SealError("no room")
        with pytest.raises(SealError, match="no room"):
            desk.supervisor.seal(untold)
        assert len(desk.started) == 2

    def test_without_its_journal_nothing_is_made_anew(self, desk: Desk) -> None:
        """The file at the place may then be all that there is of the run."""
        desk.run_path.write_bytes(b"the run")
        desk.journal_path.unlink()
        desk.started[0].refuses = SealError("ended without sealing")
        with pytest.raises(SealError, match="ended without sealing"):
            desk.supervisor.seal(untold)
        assert len(desk.started) == 1
        assert desk.run_path.read_bytes() == b"the run"

    @pytest.mark.parametrize("error", [OSError(5, "Input/output error"), RuntimeError("none")])
    def test_whatever_else_stops_it_is_told_as_not_sealed(
        self, desk: Desk, error: Exception
    ) -> None:
        desk.started[0].refuses = error
        with pytest.raises(SealError, match=str(error.args[-1])):
            desk.supervisor.seal(untold)

    def test_a_mistake_of_ours_is_told_as_one_and_not_made_again(self, desk: Desk) -> None:
        desk.started[0].refuses = SealBugError("KeyError: 'unheard of'")
        with pytest.raises(SealBugError, match="unheard of"):
            desk.supervisor.seal(untold)
        assert len(desk.started) == 1

    def test_one_that_waits_to_be_started_is_started_for_the_seal(self, desk: Desk) -> None:
        for _ in range(2):
            desk.started[-1].problem = "ended with code -9"
            desk.supervisor.look()
        desk.started[-1].problem = ""
        desk.supervisor.seal(untold)
        assert [filer.sealed for filer in desk.started] == [False, False, True]

    def test_at_the_stop_no_process_is_tried_for_three_times_and_told_each_time(
        self, desk: Desk
    ) -> None:
        desk.started[0].problem = "ended with code -9"
        desk.fails = BlockingIOError(11, "Resource temporarily unavailable")
        with pytest.raises(SealError, match="temporarily unavailable"):
            desk.supervisor.seal(untold)
        assert desk.slept == sorted(desk.slept)
        assert len(desk.slept) == 3
        assert ["is tried again" in words for words in desk.warnings] == [True, True]

    def test_what_is_sealed_is_not_ended_by_force(self, desk: Desk) -> None:
        desk.supervisor.seal(untold)
        desk.supervisor.abandon()
        assert desk.started[0].killed == 0

    def test_what_is_abandoned_is_ended_once(self, desk: Desk) -> None:
        desk.supervisor.abandon()
        desk.supervisor.abandon()
        assert desk.started[0].killed == 1


def test_a_name_that_points_elsewhere_is_not_removed(desk: Desk) -> None:
    """Only what our filer made is taken away before another begins."""
    victim = desk.run_path.with_name("victim")
    victim.write_bytes(b"precious")
    desk.run_path.symlink_to(victim)
    desk.started[0].problem = "ended with code -9"
    desk.supervisor.look()
    assert desk.run_path.is_symlink()
    assert victim.read_bytes() == b"precious"


def test_what_the_filer_reports_is_passed_on(desk: Desk) -> None:
    assert desk.supervisor.filed == {}
    desk.started[0].filed = Filed(records={"cell": 50}, rows=3, damaged=0)
    desk.started[0].unsigned = "its key could not be used"
    assert desk.supervisor.filed == {"cell": 50}
    assert desk.supervisor.unsigned == "its key could not be used"
