"""The keeper keeps in order, tells overruns as gaps, and says when it can keep no more."""

from __future__ import annotations

import itertools
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import Any, cast

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from recorder.acquisition.ring.ring import RingWriter
from recorder.acquisition.safekeeping.intake import Outbox
from recorder.acquisition.safekeeping.keeper import Keeper
from recorder.keeping.errors import JournalError, JournalFullError, NotKeptError
from recorder.keeping.journal import Journal
from recorder.run.parts.block import Block
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from tests.recorder.acquisition.ring_damage import flip_byte

LOCKED = NotKeptError(5, "database is locked", "run.h5.journal")
DTYPE = np.dtype([("tick", "<u8"), ("ch0", "<i4")])
_NUMBER = itertools.count()


class FakeJournal:
    """Remembers commits; may be full, locked, or hang."""

    def __init__(self) -> None:
        self.commits: list[tuple[list[Block], list[Event | Gap]]] = []
        self.full = False
        self.fault: Exception | None = None
        self.refuses: Callable[[Sequence[Block], Sequence[Event | Gap]], bool] = lambda _b, _e: (
            True
        )
        """Which commits the fault is met by."""
        self.tries = 0
        self.flows = threading.Event()
        self.flows.set()
        self.tried = threading.Event()
        self.committed = threading.Event()

    def append(self, blocks: Sequence[Block], events: Sequence[Event | Gap]) -> None:
        self.tries += 1
        self.tried.set()
        assert self.flows.wait(20.0)
        if self.full:
            raise JournalFullError(28, "disk full", "run.h5.journal")
        if self.fault is not None and self.refuses(blocks, events):
            raise self.fault
        self.commits.append((list(blocks), list(events)))
        self.committed.set()

    @property
    def records(self) -> np.ndarray:
        blocks = [block for blocks, _ in self.commits for block in blocks]
        return np.concatenate([b.records["tick"] for b in blocks]) if blocks else np.empty(0)

    @property
    def items(self) -> list[Event | Gap]:
        return [item for _, items in self.commits for item in items]


class Desk:
    def __init__(self) -> None:
        name = f"tctest_k{os.getpid()}_{next(_NUMBER)}"
        self.ring = RingWriter(name, dtype=DTYPE, capacity=8192)
        self.journal = FakeJournal()
        self.outbox = Outbox()
        self.failures: list[Exception] = []
        self.total = 0
        self.ring.patience_s = 0.0
        self.overruns: list[Gap] = []
        self.keeper = Keeper(
            cast("Journal", cast("Any", self.journal)),
            {"cell": self.ring.keeper("cell")},
            self.outbox,
            failed=self.failures.append,
            overrun=self.overruns.append,
        )

    def write(self, n: int) -> None:
        records = np.zeros(n, DTYPE)
        records["tick"] = np.arange(self.total, self.total + n)
        self.total += n
        line = TickLine(tick0=0, t0_s=0.0, s_per_tick=1e-3)
        self.ring.write(Block(device="cell", records=records, line=line, received_s=1.0))

    def event(self, kind: str) -> None:
        self.outbox.put(Event(kind=kind, t_s=0.0, data={}))

    def gap(self, before_record: int) -> None:
        self.outbox.put(
            Gap(
                device="cell",
                t_start_s=0.0,
                t_end_s=1.0,
                cause=Cause.CHECKSUM,
                before_record=before_record,
            )
        )


@pytest.fixture
def desk() -> Iterator[Desk]:
    made = Desk()
    yield made
    made.keeper.stop(patience_s=0.0)
    made.keeper.close()
    made.ring.close()


def test_blocks_and_events_go_into_one_commit(desk: Desk) -> None:
    desk.write(10)
    desk.gap(10)
    desk.write(5)
    assert desk.keeper.keep()
    assert not desk.keeper.keep()
    ((blocks, items),) = desk.journal.commits
    assert [b.sequence for b in blocks] == [0, 1]
    assert np.array_equal(desk.journal.records, np.arange(15))
    assert [cast("Gap", item).before_record for item in items] == [10]
    assert desk.keeper.kept() == {"cell": 15}
    assert desk.ring.stats().used == 0


def test_an_overrun_is_a_gap_and_later_gaps_point_at_kept_records(desk: Desk) -> None:
    desk.write(10)
    desk.keeper.keep()
    for _ in range(40):
        desk.write(50)
    desk.gap(before_record=desk.total)
    desk.write(5)
    desk.keeper.keep()
    first, second = (cast("Gap", item) for item in desk.journal.items)
    kept = len(desk.journal.records)
    assert first.cause == "ring overrun"
    assert first.lost_records == desk.total - kept > 0
    assert first.before_record == 10
    assert first.t_start_s == pytest.approx(0.009)
    assert int(desk.journal.records[10]) == 10 + first.lost_records
    assert second.before_record == kept - 5
    assert desk.ring.stats().dropped_records == first.lost_records
    assert desk.overruns == [first]
    assert desk.keeper.overruns == 1
    assert desk.keeper.lost_records == first.lost_records


def test_records_damaged_in_the_ring_are_a_gap_of_that_cause(desk: Desk) -> None:
    desk.write(10)
    flip_byte(desk.ring.name, 70)
    assert not desk.keeper.keep()
    desk.write(5)
    desk.keeper.keep()
    (gap,) = (cast("Gap", item) for item in desk.journal.items)
    assert (gap.cause, gap.lost_records, gap.before_record) == (Cause.RING_DAMAGED, 10, 0)
    assert "check" in gap.detail
    assert np.array_equal(desk.journal.records, np.arange(10, 15))


def test_what_is_lost_at_the_very_end_is_a_gap_too(desk: Desk) -> None:
    """Nothing comes after it, so that no later record's number can tell of the loss."""
    desk.write(10)
    desk.keeper.keep()
    at = desk.ring.stats().peak_used
    desk.write(7)
    flip_byte(desk.ring.name, at + 70)
    desk.keeper.stop()
    (gap,) = (cast("Gap", item) for item in desk.journal.items)
    assert (gap.cause, gap.lost_records, gap.before_record) == (Cause.RING_DAMAGED, 7, 10)
    assert gap.t_start_s == gap.t_end_s == pytest.approx(0.009)
    assert desk.overruns == [gap]
    assert desk.keeper.lost_records == 7


def test_a_writer_that_is_too_fast_waits_for_the_keeper(desk: Desk) -> None:
    """A feed run flat out over TCP is held back, and loses nothing."""
    desk.ring.patience_s = 30.0
    desk.keeper.start()
    for _ in range(100):
        desk.write(200)
    desk.keeper.stop()
    assert np.array_equal(desk.journal.records, np.arange(20_000))
    assert desk.overruns == []
    assert desk.ring.stats().dropped == 0


def test_the_thread_keeps_by_itself_and_the_stop_keeps_the_rest(desk: Desk) -> None:
    desk.keeper.start()
    desk.write(10)
    assert desk.journal.committed.wait(10.0)
    desk.write(7)
    desk.keeper.stop()
    assert np.array_equal(desk.journal.records, np.arange(17))


def test_a_full_disk_is_told_once_and_nothing_is_called_kept(desk: Desk) -> None:
    desk.journal.full = True
    desk.write(10)
    assert not desk.keeper.keep()
    desk.write(10)
    assert not desk.keeper.keep()
    assert [type(error) for error in desk.failures] == [JournalFullError]
    assert desk.ring.stats().used > 0


class TestFaults:
    """A commit that fails is held and tried again; what comes meanwhile waits in the rings."""

    def test_nothing_of_a_commit_that_failed_is_lost_or_kept_twice(self, desk: Desk) -> None:
        desk.write(10)
        desk.event("first")
        desk.journal.fault = LOCKED
        for _ in range(5):
            assert not desk.keeper.keep()
        desk.write(7)
        desk.event("second")
        assert desk.keeper.kept() == {"cell": 0}, "nothing is called kept"
        stall = desk.keeper.stall()
        assert stall is not None
        assert (stall.tries, stall.why) == (5, "database is locked")
        desk.journal.fault = None
        assert desk.keeper.keep()
        assert desk.keeper.kept() == {"cell": 10}
        assert desk.keeper.stall() is None
        assert desk.keeper.keep()
        assert not desk.keeper.keep()
        assert np.array_equal(desk.journal.records, np.arange(17))
        assert [cast("Event", e).kind for e in desk.journal.items] == ["first", "second"]
        assert desk.failures == []
        (over,) = desk.keeper.take_stalls()
        assert (over.tries, over.why) == (6, "database is locked")
        assert desk.keeper.take_stalls() == []

    def test_what_is_held_for_another_try_needs_no_room_in_the_ring(self, desk: Desk) -> None:
        desk.write(10)
        desk.journal.fault = LOCKED
        desk.keeper.keep()
        assert desk.ring.stats().used == 0

    def test_the_thread_tries_again_by_itself(self, desk: Desk) -> None:
        desk.journal.fault = LOCKED
        desk.write(10)
        desk.keeper.start()
        assert desk.journal.tried.wait(10.0)
        desk.journal.tried.clear()
        assert desk.journal.tried.wait(10.0), "it tried again"
        desk.journal.fault = None
        assert desk.journal.committed.wait(10.0)
        assert np.array_equal(desk.journal.records, np.arange(10))

    def test_a_fault_longer_than_the_ring_is_a_gap_and_keeping_goes_on(
        self, desk: Desk
    ) -> None:
        desk.write(10)
        desk.journal.fault = LOCKED
        desk.keeper.keep()
        for _ in range(40):
            desk.write(50)
            assert not desk.keeper.keep()
        desk.journal.fault = None
        while desk.keeper.keep():
            pass
        (gap,) = (cast("Gap", item) for item in desk.journal.items)
        kept = desk.journal.records
        assert np.array_equal(kept[:10], np.arange(10)), "what was held is kept all the same"
        assert (gap.cause, gap.before_record) == (Cause.RING_OVERRUN, 10)
        assert gap.lost_records == desk.total - len(kept) > 0
        assert int(kept[10]) == 10 + gap.lost_records
        assert desk.failures == []

    def test_a_disk_that_hangs_is_told_while_it_hangs(self, desk: Desk) -> None:
        desk.journal.flows.clear()
        desk.write(10)
        desk.keeper.start()
        assert desk.journal.tried.wait(10.0)
        stall = desk.keeper.stall()
        assert stall is not None
        assert (stall.tries, stall.why) == (0, "")
        ended = []
        stopping = threading.Thread(target=lambda: ended.append(desk.keeper.stop()))
        stopping.start()
        desk.journal.flows.set()
        stopping.join(20.0)
        assert ended == [""]
        assert np.array_equal(desk.journal.records, np.arange(10))

    def test_the_stop_waits_for_a_fault_that_passes(self, desk: Desk) -> None:
        desk.write(10)
        desk.journal.fault = LOCKED
        waits = []

        def waiting() -> None:
            waits.append(desk.journal.tries)
            if len(waits) == 2:
                desk.journal.fault = None

        assert desk.keeper.stop(waiting=waiting) == ""
        assert len(waits) == 2
        assert np.array_equal(desk.journal.records, np.arange(10))

    def test_what_cannot_be_kept_in_time_is_a_gap_up_to_the_end(self, desk: Desk) -> None:
        """Blocks that fail for ever take neither the other events nor the stop with them."""
        desk.write(10)
        desk.keeper.keep()
        desk.write(20)
        desk.gap(before_record=30)
        desk.journal.fault = LOCKED
        desk.journal.refuses = lambda blocks, _events: bool(blocks)
        assert not desk.keeper.keep()
        desk.write(5)
        desk.event("stop")
        words = desk.keeper.stop(9.5, patience_s=0.0)
        assert words == "not kept at the end: 25 records of cell (database is locked)"
        left, held, stop = desk.journal.items
        assert isinstance(left, Gap)
        assert left.t_start_s == pytest.approx(0.009)
        assert left.t_end_s == 9.5
        assert (left.lost_records, left.before_record) == (25, 10)
        assert "database is locked" in left.detail
        assert isinstance(held, Gap)
        assert held.before_record == 10, "it stands where the records end"
        assert isinstance(stop, Event)
        assert desk.keeper.kept() == {"cell": 10}
        assert desk.keeper.lost_records == 25

    def test_a_last_try_that_failed_and_is_there_all_the_same_is_kept(self, desk: Desk) -> None:
        """As the journal has it: the same again is kept, and of another the ids are taken."""
        there: list[tuple[Any, ...]] = []

        def refuses(*commit: Sequence[Block | Event | Gap]) -> bool:
            there.append(tuple(map(list, commit)))
            if there[-1] != there[0]:
                desk.journal.fault = JournalError("UNIQUE constraint failed")
            return len(there) == 1 or there[-1] != there[0]

        desk.write(10)
        desk.event("stop")
        desk.journal.fault, desk.journal.refuses = LOCKED, refuses
        assert desk.keeper.stop(9.5, patience_s=0.0) == ""
        assert desk.keeper.kept() == {"cell": 10}
        assert [cast("Event", item).kind for item in desk.journal.items] == ["stop"]

    def test_where_nothing_can_be_kept_any_more_the_words_say_what_is_not(
        self, desk: Desk
    ) -> None:
        desk.write(10)
        desk.event("stop")
        desk.journal.fault = LOCKED
        words = desk.keeper.stop(9.5, patience_s=0.0)
        assert words == (
            "not kept at the end: 10 records of cell, 2 of the last 2 events (database is locked)"
        )
        assert desk.journal.commits == []

    @pytest.mark.parametrize("bug", [JournalError("does not fit"), TypeError("not JSON")])
    def test_a_mistake_of_ours_is_told_and_the_end_is_kept(
        self, desk: Desk, bug: Exception
    ) -> None:
        def refuses(_blocks: Sequence[Block], events: Sequence[Event | Gap]) -> bool:
            return any(isinstance(e, Event) and e.kind == "bad" for e in events)

        desk.journal.fault, desk.journal.refuses = bug, refuses
        desk.write(10)
        desk.event("bad")
        desk.keeper.start()
        assert desk.journal.tried.wait(10.0)
        desk.event("stop")
        words = desk.keeper.stop(9.5)
        assert desk.failures == [bug]
        assert words.startswith("not kept at the end: 1 of the last 2 events")
        assert str(bug) in words
        assert np.array_equal(desk.journal.records, np.arange(10))
        assert [cast("Event", item).kind for item in desk.journal.items] == ["stop"]


def test_a_mistake_of_ours_met_at_the_stop_is_told_and_raises_nothing() -> None:
    journal, outbox, told = FakeJournal(), Outbox(), list[Exception]()
    keeper = Keeper(cast("Journal", journal), {}, outbox, failed=told.append)
    keeper.start()
    journal.fault = TypeError("not JSON")
    outbox.put(Event(kind="stop", t_s=1.0, data={}))
    assert "TypeError: not JSON" in keeper.stop(1.0, patience_s=0.0)
    assert told == [journal.fault]
