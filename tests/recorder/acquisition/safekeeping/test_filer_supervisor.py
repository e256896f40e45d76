"""A filer that dies, or that cannot be started, costs the live file and never the recording."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from recorder.acquisition.safekeeping.filer_supervisor import WAITS_S, FilerSupervisor
from recorder.keeping.errors import SealError
from recorder.keeping.filer_process import FilerProcess
from recorder.run.parts.progress import untold
from recorder.run.parts.states import FilerState


class FakeFiler:
    """A filer that has died, or works."""

    def __init__(self) -> None:
        self.problem = ""
        self.filed = None
        self.sealed = False

    def kill(self) -> None:
        self.problem = self.problem or "killed"

    def seal(self, **_: object) -> None:
        self.sealed = True


class Desk:
    """A supervisor with a hand-wound clock; starting a filer fails as a test says."""

    def __init__(self, folder: Path) -> None:
        self.now_s = 0.0
        self.fails: Exception | None = None
        self.started: list[FakeFiler] = []
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
