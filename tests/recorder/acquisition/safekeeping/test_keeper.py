"""The keeper keeps in order, tells overruns as gaps, and says when it can keep no more."""

from __future__ import annotations

import itertools
import os
import threading
from collections.abc import Iterator, Sequence
from typing import Any, cast

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from recorder.acquisition.ring.ring import RingWriter
from recorder.acquisition.safekeeping.keeper import Keeper, Outbox
from recorder.keeping.errors import JournalFullError
from recorder.keeping.journal import Journal
from recorder.run.parts.block import Block
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from tests.recorder.acquisition.ring_damage import flip_byte

DTYPE = np.dtype([("tick", "<u8"), ("ch0", "<i4")])
_NUMBER = itertools.count()


class FakeJournal:
    """Remembers commits; may be full."""

    def __init__(self) -> None:
        self.commits: list[tuple[list[Block], list[Event | Gap]]] = []
        self.full = False
        self.committed = threading.Event()

    def append(self, blocks: Sequence[Block], events: Sequence[Event | Gap]) -> None:
        if self.full:
            raise JournalFullError(28, "disk full", "run.h5.journal")
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
    made.keeper.stop()
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
