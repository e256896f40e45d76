"""The journal's promise: what a call returned from is on the disk, and stays."""

from __future__ import annotations

import errno
import json
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from recorder.keeping.errors import JournalError, JournalFullError
from recorder.keeping.journal import CHECKPOINT_BYTES, Journal
from recorder.keeping.journal_connection import open_connection
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.journal_rows import Cursor, pack_blocks, unpack_blocks
from recorder.keeping.owner import JournalState, OwnerLock, journal_path_for, journal_state
from recorder.marks.mark import Mark
from recorder.run.parts.block import Block
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Gap, gaps_of
from tests.recorder.made_runs import (
    all_rows,
    cell_blocks,
    header,
    load_cell,
    made_run,
    mark,
    wheel,
)

ROOT = Path(__file__).parents[3]


def everything(path: Path) -> tuple[list[Block], list[Mark], list[Event]]:
    """All blocks, marks and events of a journal."""
    blocks: list[Block] = []
    marks: list[Mark] = []
    events: list[Event] = []
    with JournalReader(path) as reader:
        for rows in all_rows(reader):
            assert rows.damage == []
            blocks += [block for batch in rows.batches for block in batch.blocks]
            marks += rows.marks
            events += rows.events
    return blocks, marks, events


def test_what_goes_in_comes_out(tmp_path: Path) -> None:
    run = made_run(3.0)
    run.journal(tmp_path / "run.journal")
    blocks, marks, events = everything(tmp_path / "run.journal")
    for device in ("cell", "wheel", "gnss"):
        wanted = [b for b in run.blocks if b.device == device]
        found = [b for b in blocks if b.device == device]
        assert [b.sequence for b in found] == [b.sequence for b in wanted]
        for a, b in zip(found, wanted, strict=True):
            assert a.records.tobytes() == b.records.tobytes()
            assert (a.received_s, a.line) == (b.received_s, b.line)
    assert marks == run.marks
    assert gaps_of(events) == [e for e in run.events if isinstance(e, Gap)]
    assert [e for e in events if e.kind != "gap"] == [
        e for e in run.events if isinstance(e, Event)
    ]


@pytest.fixture
def connections(monkeypatch: pytest.MonkeyPatch) -> list[sqlite3.Connection]:
    """Every connection to a database, in the order they are opened."""
    made: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def connecting(*args: Any, **named: Any) -> sqlite3.Connection:
        made.append(connect(*args, **named))
        return made[-1]

    monkeypatch.setattr(sqlite3, "connect", connecting)
    return made


def test_durability_is_asked_for_and_given(
    tmp_path: Path, connections: list[sqlite3.Connection]
) -> None:
    with Journal.create(tmp_path / "j", header()):
        ask = connections[0].execute
        assert ask("PRAGMA journal_mode").fetchone()[0] == "wal"
        assert ask("PRAGMA synchronous").fetchone()[0] == 2  # FULL
        assert connections[0].isolation_level is None


def test_an_existing_journal_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "run.h5.journal"
    made_run(1.0).journal(path)
    before = path.read_bytes()
    with pytest.raises(FileExistsError, match="recover"):
        Journal.create(path, header())
    assert path.read_bytes() == before
    assert journal_state(path) is JournalState.UNFINISHED


def test_a_revision_is_taken_once(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "j", header()) as journal:
        first = mark(1.0)
        journal.commit_mark(first)
        with pytest.raises(JournalError, match="UNIQUE"):
            journal.commit_mark(first)
        journal.commit_mark(first.revised(value="7"))
    assert [m.revision for m in everything(tmp_path / "j")[1]] == [0, 1]


def test_a_block_that_does_not_fit_the_header_is_refused(tmp_path: Path) -> None:
    with (
        Journal.create(tmp_path / "j", header(wheel())) as journal,
        pytest.raises(JournalError, match="cell"),
    ):
        journal.append(cell_blocks(0.1))
    assert everything(tmp_path / "j")[0] == []


def test_who_holds_it_can_be_told(tmp_path: Path) -> None:
    path = journal_path_for(tmp_path / "run.h5")
    assert path == tmp_path / "run.h5.journal"
    assert journal_state(path) is JournalState.ABSENT
    journal = Journal.create(path, header())
    assert journal_state(path) is JournalState.RECORDING
    with pytest.raises(BlockingIOError, match="recording"):
        OwnerLock(path)
    journal.close()
    assert journal_state(path) is JournalState.UNFINISHED
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run.h5.journal"]


def test_the_log_stays_bounded_and_readers_never_see_half_a_commit(tmp_path: Path) -> None:
    path = tmp_path / "j"
    head = header(load_cell())
    records = np.zeros(50_000, load_cell().record_dtype)
    template = cell_blocks(0.1)[0]
    blocks = [replace(template, records=records)]
    with Journal.create(path, head) as journal, JournalReader(path) as reader:
        cursor = Cursor()
        largest = 0
        for i in range(60):
            journal.append(blocks, [Event(kind="health", t_s=float(i), data={"i": i})])
            largest = max(largest, (tmp_path / "j-wal").stat().st_size)
            rows = reader.read_new(cursor)
            assert len(rows.batches) == len(rows.events) == 1
        assert 60 * records.nbytes > 4 * CHECKPOINT_BYTES
        assert largest < 2 * CHECKPOINT_BYTES


def test_a_log_that_was_long_once_is_not_moved_at_every_commit(
    tmp_path: Path, connections: list[sqlite3.Connection]
) -> None:
    """Its file stays as long as it was: what counts is what was written since."""
    records = np.zeros(50_000, load_cell().record_dtype)
    blocks = [replace(cell_blocks(0.1)[0], records=records)]
    moved = 0
    with Journal.create(tmp_path / "j", header(load_cell())) as journal:
        statements: list[str] = []
        connections[0].set_trace_callback(statements.append)
        while not moved:
            journal.append(blocks)
            moved = sum("wal_checkpoint" in sql for sql in statements)
        assert (tmp_path / "j-wal").stat().st_size >= CHECKPOINT_BYTES
        statements.clear()
        for i in range(20):
            journal.append([], [Event(kind="health", t_s=float(i), data={"i": i})])
        assert not any("wal_checkpoint" in sql for sql in statements)
        while not moved > 1:
            journal.append(blocks)
            moved += any("wal_checkpoint" in sql for sql in statements)
        assert (tmp_path / "j-wal").stat().st_size < 2 * CHECKPOINT_BYTES


class TestDiskFull:
    def test_the_ballast_carries_the_end_of_the_run(
        self,
        tmp_path: Path,
        connections: list[sqlite3.Connection],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        path = tmp_path / "j"
        journal = Journal.create(path, header(load_cell()), ballast_bytes=4096)
        blocks = cell_blocks(20.0)
        journal.append(blocks[:10])
        _limit_pages(connections[0], 10)
        unlink = Path.unlink

        def unlinking(self: Path, missing_ok: bool = False) -> None:  # noqa: FBT002 - as it is
            unlink(self, missing_ok=missing_ok)
            if self == path.with_name("j.ballast"):
                _limit_pages(connections[0], 10_000)

        monkeypatch.setattr(Path, "unlink", unlinking)
        kept = 10
        while not journal.disk_full:
            assert kept < len(blocks)
            journal.append(blocks[kept : kept + 10])
            kept += 10
        # The commit that met the full disk is kept, and so is the end.
        journal.append([], [Event(kind="stop", t_s=9.0, data={"why": "disk full"})])
        assert journal.disk_full
        assert not (tmp_path / "j.ballast").exists()
        monkeypatch.undo()
        journal.close()
        found, _, events = everything(path)
        assert [b.sequence for b in found] == list(range(kept))
        assert events[-1].data == {"why": "disk full"}

    def test_what_fits_no_more_is_refused_and_the_rest_stays(
        self, tmp_path: Path, connections: list[sqlite3.Connection]
    ) -> None:
        path = tmp_path / "j"
        with Journal.create(path, header(load_cell()), ballast_bytes=4096) as journal:
            blocks = cell_blocks(60.0)
            _limit_pages(connections[0], 40)
            kept = 0
            refused, number = "", None
            while not refused:
                assert kept < len(blocks)
                try:
                    journal.append(blocks[kept : kept + 100])
                    kept += 100
                except JournalFullError as error:
                    refused, number = str(error), error.errno
            assert "disk full" in refused
            assert number == errno.ENOSPC
            assert kept > 0
        assert [b.sequence for b in everything(path)[0]] == list(range(kept))


def _limit_pages(connection: sqlite3.Connection, extra: int) -> None:
    count = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count={count + extra}")


WRITER = """
import sys
from dataclasses import replace
from pathlib import Path
from recorder.keeping.journal import Journal
from tests.recorder.made_runs import all_rows, cell_blocks, header, load_cell, mark

journal = Journal.create(Path(sys.argv[1]), header(load_cell()), ballast_bytes=4096)
blocks = cell_blocks(60.0, size=20)
for i, block in enumerate(blocks):
    journal.append([block])
    print("block", block.sequence, flush=True)
    if i % 3 == 0:
        held = mark(block.received_s)
        journal.commit_mark(held)
        print("mark", held.mark_id, flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_nothing_acknowledged_is_lost_to_a_kill(tmp_path: Path) -> None:
    rng = np.random.default_rng(20260101)
    for trial in range(5):
        path = tmp_path / f"run-{trial}.journal"
        process = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(WRITER), str(path)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        assert process.stdout is not None
        heard = [process.stdout.readline() for _ in range(int(rng.integers(1, 400)))]
        process.send_signal(signal.SIGKILL)
        heard += process.stdout.read().splitlines(keepends=True)
        process.wait()
        process.stdout.close()
        told = [line.split() for line in heard if line.endswith("\n")]
        assert journal_state(path) is JournalState.UNFINISHED
        blocks, marks, _ = everything(path)
        assert [b.sequence for b in blocks] == list(range(len(blocks)))
        assert {int(n) for kind, n in told if kind == "block"} <= {b.sequence for b in blocks}
        assert {m for kind, m in told if kind == "mark"} <= {m.mark_id for m in marks}


def test_any_thread_may_keep(tmp_path: Path) -> None:
    """Blocks and marks come from threads of their own, none of which opened the journal."""
    errors: list[BaseException] = []

    def keep() -> None:
        try:
            journal.append(cell_blocks(0.1))
            journal.commit_mark(mark(0.05))
        except BaseException as error:  # noqa: BLE001 - shown by the test
            errors.append(error)

    with Journal.create(tmp_path / "j", header(load_cell()), ballast_bytes=0) as journal:
        thread = threading.Thread(target=keep)
        thread.start()
        thread.join(20.0)
    assert errors == []
    blocks, marks, _ = everything(tmp_path / "j")
    assert (len(blocks), len(marks)) == (len(cell_blocks(0.1)), 1)


def test_what_is_no_database_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "j").write_bytes(b"no database at all " * 100)
    with pytest.raises(JournalError, match=r"the journal cannot be begun \(file is not a"):
        open_connection(tmp_path / "j")


def test_payloads_tell_when_they_are_not_whole() -> None:
    blocks = cell_blocks(0.2, size=20)
    n, payload = pack_blocks(blocks)
    dtype = load_cell().record_dtype
    assert n == sum(len(b.records) for b in blocks)
    heads, records = unpack_blocks(dtype, payload)
    assert heads["sequence"].tolist() == [b.sequence for b in blocks]
    assert len(records) == n
    for cut in (0, 3, 10, 4 + 44 * len(blocks), len(payload) - 1):
        with pytest.raises(ValueError, match=r"cut short|heads"):
            unpack_blocks(dtype, payload[:cut])


def test_marks_and_header_are_plain_json_in_the_file(tmp_path: Path) -> None:
    """Whoever finds a journal in fifty years can read it with any SQLite."""
    run = made_run(1.0)
    run.journal(tmp_path / "j")
    connection = sqlite3.connect(tmp_path / "j")
    (text,) = connection.execute("SELECT json FROM marks WHERE id = 1").fetchone()
    (head,) = connection.execute("SELECT value FROM meta WHERE key = 'header'").fetchone()
    connection.close()
    assert json.loads(text) == run.marks[0].to_dict()
    assert json.loads(head)["run_id"] == run.header.run_id
