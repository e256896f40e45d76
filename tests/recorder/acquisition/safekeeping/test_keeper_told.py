"""What the keeper tells of itself: how long commits take, whether it tries again, what is kept."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.links.gathering import PAUSE_S
from recorder.acquisition.safekeeping import keeper as keeper_module
from recorder.acquisition.safekeeping.keeper import AGAIN_S, EVERY_S, PATIENCE_S
from recorder.keeping.errors import JournalError
from recorder.run.parts.gap import Gap
from tests.recorder.acquisition.safekeeping.test_keeper import LOCKED, Desk


class Timed(Desk):
    """A desk whose clock is wound by hand: by what is slept, and by what a commit takes."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 100.0
        self.takes_s = 0.0
        self.slept: list[float] = []
        append = self.journal.append

        def taking(*commit: Any) -> None:
            self.now_s += self.takes_s
            append(*commit)

        vars(self.journal)["append"] = taking

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now_s += seconds


@pytest.fixture
def desk(monkeypatch: pytest.MonkeyPatch) -> Iterator[Timed]:
    made = Timed()
    clock = SimpleNamespace(monotonic=lambda: made.now_s, sleep=made.sleep)
    monkeypatch.setattr(keeper_module, "time", clock)
    yield made
    made.keeper.stop(patience_s=0.0)
    made.keeper.close()
    made.ring.close()


def test_the_longest_commit_is_told_once(desk: Timed) -> None:
    for takes_s in (0.2, 0.7, 0.3):
        desk.takes_s = takes_s
        desk.write(5)
        assert desk.keeper.keep()
    assert desk.keeper.take_longest_s() == pytest.approx(0.7)
    assert desk.keeper.take_longest_s() == 0.0


def test_a_stall_lasts_from_the_first_try_to_the_commit(desk: Timed) -> None:
    desk.write(5)
    desk.journal.fault = LOCKED
    desk.keeper.keep()
    desk.now_s += 4.0
    now = desk.keeper.stall()
    assert now is not None
    assert now.lasted_s == pytest.approx(4.0)
    desk.journal.fault = None
    desk.takes_s = 0.5
    desk.keeper.keep()
    (over,) = desk.keeper.take_stalls()
    assert over.lasted_s == pytest.approx(4.5)
    desk.write(5)
    desk.keeper.keep()
    assert desk.keeper.take_stalls() == [], "one that was kept at once is none"


def test_the_stop_tries_for_its_patience_at_growing_intervals(desk: Timed) -> None:
    desk.write(5)
    desk.journal.fault = LOCKED
    words = desk.keeper.stop(9.0)
    assert words.startswith("not kept at the end: 5 records of cell")
    assert tuple(desk.slept[: len(AGAIN_S)]) == AGAIN_S
    assert set(desk.slept[len(AGAIN_S) :]) == {AGAIN_S[-1]}
    assert PATIENCE_S <= sum(desk.slept) <= PATIENCE_S + AGAIN_S[-1]


def test_it_tries_again_only_what_may_be_kept_then(desk: Timed) -> None:
    assert not desk.keeper.tries_again
    desk.write(5)
    desk.journal.fault = LOCKED
    desk.keeper.keep()
    said = [desk.keeper.tries_again]
    for full, fault in ((True, LOCKED), (False, LOCKED), (False, JournalError("no such"))):
        desk.journal.full, desk.journal.fault = full, fault
        assert not desk.keeper.keep()
        said.append(desk.keeper.tries_again)
    assert said == [True, False, True, False]
    desk.journal.fault = None
    assert not desk.keeper.keep(), "after a mistake of ours it keeps no more"


def test_a_full_disk_is_not_waited_for_at_the_stop(desk: Timed) -> None:
    desk.write(5)
    desk.journal.full = True
    assert "disk full" in desk.keeper.stop(9.0)
    assert desk.slept == []


def test_where_the_stop_cannot_be_kept_the_run_ends_with_what_is(desk: Timed) -> None:
    assert desk.keeper.ends_at_s(9.0) == 9.0
    desk.write(10)
    desk.keeper.keep()
    desk.event("stop")
    desk.journal.fault = LOCKED
    assert "1 of the last 1 events" in desk.keeper.stop(9.0, patience_s=0.0)
    assert desk.keeper.ends_at_s(9.0) == pytest.approx(0.009), "the last record kept"


def test_where_only_records_are_not_kept_the_run_ends_at_the_stop(desk: Timed) -> None:
    desk.write(10)
    desk.event("stop")
    desk.journal.fault = LOCKED
    desk.journal.refuses = lambda blocks, _events: bool(blocks)
    assert "10 records of cell" in desk.keeper.stop(9.0, patience_s=0.0)
    assert desk.keeper.ends_at_s(9.0) == 9.0
    (gap,) = (item for item in desk.journal.items if isinstance(item, Gap))
    assert (gap.t_start_s, gap.t_end_s) == (0.0, 9.0)


class Waits:
    """In place of the event that ends the thread: three turns, with no time passing."""

    def __init__(self) -> None:
        self.desk: Desk | None = None
        self.asked_s: list[float] = []

    def set(self) -> None:
        """The end is asked for."""

    def wait(self, seconds: float) -> bool:
        assert self.desk is not None
        self.asked_s.append(seconds)
        # A block takes 64 bytes and 12 a record: below a tenth of 8,192, then above.
        self.desk.write((50, 50, 0)[len(self.asked_s) - 1])
        if len(self.asked_s) == 2:
            self.desk.journal.fault = LOCKED
        return len(self.asked_s) == 3


def test_the_time_between_commits_keeps_the_promise_of_half_a_second() -> None:
    """README.md, *What is promised*: a port's gathering and the commit itself come on top."""
    assert EVERY_S > 0.0
    assert EVERY_S + PAUSE_S < 0.5


def test_the_thread_waits_between_commits_and_anew_after_a_fault(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    waits = Waits()
    threads = SimpleNamespace(Event=lambda: waits, Thread=threading.Thread)
    monkeypatch.setattr(keeper_module, "threading", threads)
    desk = Desk()
    waits.desk = desk
    desk.keeper.start()
    desk.keeper.stop(patience_s=0.0)
    desk.keeper.close()
    desk.ring.close()
    assert waits.asked_s == [EVERY_S, EVERY_S, AGAIN_S[0]]
