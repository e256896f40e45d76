"""A commit that fails has kept nothing; tried again as it was it is kept once, in order."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder.keeping import journal as journal_module
from recorder.keeping import journal_connection
from recorder.keeping.errors import JournalError, JournalFullError, NotKeptError
from recorder.keeping.journal import Journal
from recorder.keeping.journal_connection import open_connection
from recorder.keeping.journal_reader import JournalReader
from recorder.marks.mark import Mark
from recorder.run.parts.block import Block
from recorder.run.parts.event import Event
from tests.recorder.faulty_journal import ALWAYS, Faults
from tests.recorder.made_runs import all_rows, cell_blocks, header, load_cell, mark

PASSING = [
    "SQLITE_BUSY", "SQLITE_BUSY_RECOVERY", "SQLITE_LOCKED", "SQLITE_INTERRUPT", "SQLITE_PROTOCOL",
    "SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_NOMEM", "SQLITE_CORRUPT", "SQLITE_NOTADB",
    *(name for name in dir(sqlite3) if name.startswith("SQLITE_IOERR")),
]  # fmt: skip


class Desk:
    """A journal whose connection fails as planned."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.faults = Faults()
        self.journal = Journal.create(
            path, header(load_cell()), ballast_bytes=4096, connect=self.faults.connect
        )
        self.blocks = cell_blocks(6.0)

    def keep(self, first: int) -> None:
        """A commit of two blocks and one event."""
        event = Event(kind="health", t_s=float(first), data={"first": first})
        self.journal.append(self.blocks[first : first + 2], [event])

    def held(self) -> tuple[list[Block], list[Mark], list[int]]:
        """All that a reader finds; ids without a hole, no row damaged."""
        blocks, marks, events = [], [], []
        with JournalReader(self.path) as reader:
            for rows in all_rows(reader):
                assert rows.damage == []
                blocks += [block for batch in rows.batches for block in batch.blocks]
                marks += rows.marks
                events += [int(event.data["first"]) for event in rows.events]
        return blocks, marks, events


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path / "run.h5.journal")
    yield made
    made.faults.mend()
    made.journal.close()


def assert_whole(desk: Desk, *, commits: int) -> None:
    blocks, _, events = desk.held()
    assert [b.sequence for b in blocks] == list(range(2 * commits))
    assert events == list(range(0, 2 * commits, 2))


@pytest.mark.parametrize("at", ["INSERT INTO events", "COMMIT"])
def test_one_fault_of_any_kind_costs_another_try(desk: Desk, at: str) -> None:
    for n, name in enumerate(PASSING):
        desk.faults.fail(getattr(sqlite3, name), at=at)
        with pytest.raises(NotKeptError, match="planned fault") as refused:
            desk.keep(2 * n)
        assert refused.value.filename == str(desk.path)
        desk.keep(2 * n)
    assert_whole(desk, commits=len(PASSING))


def test_memory_that_is_gone_for_a_moment_is_such_a_fault(desk: Desk) -> None:
    desk.faults.fail(MemoryError(), at="INSERT")
    with pytest.raises(NotKeptError, match="no memory"):
        desk.keep(0)
    desk.keep(0)
    assert_whole(desk, commits=1)


@pytest.mark.parametrize("code", [sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_IOERR_WRITE])
def test_a_commit_that_is_there_all_the_same_is_not_kept_twice(desk: Desk, code: int) -> None:
    """The answer was an error of the disk; what counts is what a new connection finds."""
    desk.keep(0)
    desk.faults.fail(code, done=True)
    desk.keep(2)
    assert desk.faults.met == 1
    desk.keep(4)
    assert_whole(desk, commits=3)


def test_nor_when_it_is_seen_only_at_the_next_try(desk: Desk) -> None:
    """An interruption of the answer: nothing says then that it is there."""
    desk.faults.fail(sqlite3.SQLITE_BUSY, done=True)
    with pytest.raises(NotKeptError):
        desk.keep(0)
    desk.keep(0)
    desk.keep(2)
    assert_whole(desk, commits=2)
    keyed = mark(1.0)
    desk.faults.fail(sqlite3.SQLITE_BUSY, done=True)
    with pytest.raises(NotKeptError):
        desk.journal.commit_mark(keyed)
    desk.journal.commit_mark(keyed)
    desk.journal.commit_mark(keyed.revised(value="13"))
    assert [m.revision for m in desk.held()[1]] == [0, 1]


def test_where_it_cannot_be_seen_whether_it_is_there_the_next_try_shows(desk: Desk) -> None:
    """The commit is on the disk, its answer an error, and so is that of the look at it."""
    desk.keep(0)
    desk.faults.fail(sqlite3.SQLITE_IOERR_FSYNC, done=True)
    desk.faults.fail(sqlite3.SQLITE_IOERR_READ, at="SELECT crc")
    with pytest.raises(NotKeptError) as refused:
        desk.keep(2)
    assert refused.value.errno == errno.EIO
    assert desk.faults.met == 2
    desk.keep(2)
    desk.keep(4)
    assert_whole(desk, commits=3)


def test_after_an_error_of_the_disk_the_connection_is_another(desk: Desk) -> None:
    desk.faults.fail(sqlite3.SQLITE_BUSY)
    with pytest.raises(NotKeptError):
        desk.keep(0)
    assert desk.faults.opened == 1, "a lock is nothing that the connection is at fault for"
    desk.faults.fail(sqlite3.SQLITE_IOERR_FSYNC)
    with pytest.raises(NotKeptError):
        desk.keep(0)
    assert desk.faults.opened == 2
    desk.faults.fail(sqlite3.SQLITE_IOERR_FSYNC)
    desk.faults.fail(JournalError("cannot be opened either"), at="OPEN")
    with pytest.raises(NotKeptError, match="FSYNC"):
        desk.keep(0)
    desk.keep(0)
    assert_whole(desk, commits=1)


def test_the_next_try_is_written_over_the_one_that_failed(desk: Desk) -> None:
    """Frames behind those of a commit that never came to the disk are not read after a power
    cut: so none may stay between the last good commit and the next."""
    desk.keep(0)
    log = desk.path.with_name(desk.path.name + "-wal")
    good = log.stat().st_size
    desk.faults.fail(sqlite3.SQLITE_IOERR_FSYNC)
    with pytest.raises(NotKeptError):
        desk.keep(2)
    desk.keep(2)
    once = log.stat().st_size
    desk.keep(4)
    assert once - good == log.stat().st_size - once > 0


def test_a_rollback_that_fails_too_does_not_hide_that_the_disk_is_full(desk: Desk) -> None:
    desk.keep(0)
    desk.faults.fail(sqlite3.SQLITE_FULL, at="INSERT", times=2)
    desk.faults.fail(sqlite3.SQLITE_IOERR, at="ROLLBACK")
    with pytest.raises(JournalFullError):
        desk.keep(2)
    assert desk.journal.disk_full
    desk.keep(2)
    assert_whole(desk, commits=2)


def test_a_journal_taken_away_is_not_made_anew(desk: Desk) -> None:
    desk.keep(0)
    away = desk.path.with_name("elsewhere")
    desk.path.rename(away)
    desk.faults.fail(sqlite3.SQLITE_IOERR_READ)
    with pytest.raises(NotKeptError):
        desk.keep(2)
    assert not desk.path.exists()
    away.rename(desk.path)
    desk.keep(2)
    assert_whole(desk, commits=2)


def test_what_no_other_try_would_keep_is_refused_as_such(desk: Desk) -> None:
    desk.faults.fail(sqlite3.IntegrityError("CHECK constraint failed"), at="INSERT")
    with pytest.raises(JournalError, match="refused a commit"):
        desk.keep(0)
    desk.keep(0)
    assert_whole(desk, commits=1)


def test_a_quota_shows_as_a_full_disk_and_the_ballast_carries_the_end(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite tells of a quota as an error of the disk; only a try to write shows which."""
    monkeypatch.setattr(journal_connection, "_no_room", lambda _folder: True)
    desk.keep(0)
    desk.faults.fail(sqlite3.SQLITE_IOERR_WRITE)
    desk.keep(2)
    assert desk.journal.disk_full
    assert not desk.path.with_name(desk.path.name + ".ballast").exists()
    desk.faults.fail(sqlite3.SQLITE_IOERR_WRITE)
    with pytest.raises(JournalFullError, match="disk full"):
        desk.keep(4)
    desk.keep(4)
    assert_whole(desk, commits=3)


class TestStrangers:
    """Who may read the file can hold its locks; the writer goes on, or waits and loses nothing."""

    def test_a_lock_held_is_waited_for_and_then_tried_again(self, desk: Desk) -> None:
        desk.keep(0)
        stranger = open_connection(desk.path)
        stranger.execute("BEGIN IMMEDIATE")
        with pytest.raises(NotKeptError, match="locked"):
            desk.keep(2)
        with pytest.raises(NotKeptError, match="locked"):
            desk.journal.commit_mark(mark(1.0))
        stranger.execute("ROLLBACK")
        desk.keep(2)
        stranger.close()
        assert_whole(desk, commits=2)

    def test_a_reader_that_never_ends_does_not_stop_the_writer(
        self, desk: Desk, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The log cannot begin anew: it grows, that is told, and everything is kept."""
        monkeypatch.setattr(journal_module, "CHECKPOINT_BYTES", 1)
        monkeypatch.setattr(journal_module, "LARGEST_LOG_BYTES", 1)
        desk.keep(0)
        assert desk.journal.untidy == ""
        stranger = sqlite3.connect(f"file:{desk.path}?mode=ro", uri=True)
        stranger.execute("BEGIN")
        stranger.execute("SELECT count(*) FROM batches").fetchone()
        desk.keep(2)
        desk.keep(4)
        assert "reads" in desk.journal.untidy
        stranger.close()
        desk.keep(6)
        assert desk.journal.untidy == ""
        assert_whole(desk, commits=4)

    def test_a_log_that_cannot_be_tidied_is_no_lost_commit(
        self, desk: Desk, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(journal_module, "CHECKPOINT_BYTES", 1)
        desk.faults.fail(sqlite3.SQLITE_IOERR_READ, at="PRAGMA wal_checkpoint", times=ALWAYS)
        desk.keep(0)
        assert "planned fault" in desk.journal.untidy
        desk.faults.mend()
        desk.keep(2)
        assert desk.journal.untidy == ""
        assert_whole(desk, commits=2)
