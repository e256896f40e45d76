"""A journal that was left behind: every row that proves itself is read, what is missing is told."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import pytest

from recorder.command_line.main import main
from recorder.keeping import journal as journal_module
from recorder.keeping.errors import JournalError, SealError
from recorder.keeping.filer import follow
from recorder.keeping.journal import Journal
from recorder.keeping.journal_connection import open_connection
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.journal_rows import Cursor, Damage, row_crc
from recorder.keeping.left_behind import LeftBehind
from recorder.keeping.seal import recover, seal
from recorder.keeping.transfer import JournalRows
from recorder.run.parts.event import Event
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.earlier_version import left_journal
from tests.recorder.made_runs import (
    MadeRun,
    Stopped,
    cell_blocks,
    header,
    load_cell,
    mark,
    wheel_blocks,
)

PAGE = 16_384
FRAME = PAGE + 24


@dataclass
class Found:
    """All that a reader gives."""

    batches: dict[int, bytes]
    marks: list[str]
    events: list[tuple[str, float]]
    damage: list[Damage]


def read_all(reader: JournalRows) -> Found:
    found = Found({}, [], [], [])
    cursor = Cursor()
    while rows := reader.read_new(cursor, chunk_bytes=50_000):
        found.batches |= {batch.row: batch.records.tobytes() for batch in rows.batches}
        found.marks += [held.mark_id for held in rows.marks]
        found.events += [(event.kind, event.t_s) for event in rows.events]
        found.damage += rows.damage
    return found


def by_walk(path: Path) -> Found:
    with LeftBehind(path) as reader:
        return read_all(reader)


def by_sqlite(path: Path) -> Found:
    with JournalReader(path) as reader:
        return read_all(reader)


def made(seconds: float = 3.0) -> MadeRun:
    words = "a long word of the crew " * 40
    return MadeRun(
        header=header(load_cell()),
        blocks=cell_blocks(seconds),
        marks=[mark(0.1 * i, kind="remark", value="", note=words) for i in range(30)],
        events=[Event(kind="health", t_s=0.1 * i, data={"i": i}) for i in range(40)],
    )


@pytest.fixture
def cut_off(tmp_path: Path) -> Iterator[Path]:
    """Database and log of a recording that was killed, after some of it went to the database."""
    with mock.patch.object(journal_module, "CHECKPOINT_BYTES", 600_000):
        journal = made().journal(tmp_path / "whole", close=False)
    for end in ("", "-wal", "-shm"):
        (tmp_path / f"j{end}").write_bytes((tmp_path / f"whole{end}").read_bytes())
    yield tmp_path / "j"
    journal.close()


def beside(path: Path, end: str) -> Path:
    return path.with_name(path.name + end)


def test_of_whole_journals_it_reads_what_sqlite_reads(tmp_path: Path, cut_off: Path) -> None:
    made().journal(tmp_path / "closed")
    (tmp_path / "v1").mkdir()
    long_rows = MadeRun(header=header(load_cell()), blocks=cell_blocks(40.0, size=2000))
    long_rows.journal(tmp_path / "long")
    for path in (
        cut_off, tmp_path / "closed", left_journal(tmp_path / "v1"), tmp_path / "long"
    ):  # fmt: skip
        walked = by_walk(path)
        assert walked.damage == [], path
        assert walked == by_sqlite(path), path
        assert walked.batches


def test_a_bit_in_a_frame_hides_no_commit_after_it(tmp_path: Path) -> None:
    """SQLite ends the log there without a word."""
    journal = made().journal(tmp_path / "whole", close=False)
    whole, copy = by_walk(tmp_path / "whole"), tmp_path / "j"
    copy.write_bytes((tmp_path / "whole").read_bytes())
    log = bytearray(beside(tmp_path / "whole", "-wal").read_bytes())
    journal.close()
    log[32 + len(log) // FRAME // 2 * FRAME + FRAME - 1] ^= 1
    beside(copy, "-wal").write_bytes(log)
    found, seen = by_walk(copy), by_sqlite(copy)
    assert len(seen.batches) < len(whole.batches) - 2
    assert seen.damage == []
    assert len(found.batches) >= len(whole.batches) - 1
    assert (found.marks, found.events) == (whole.marks, whole.events)
    assert len(found.batches) == len(whole.batches) or found.damage


def test_a_bit_in_what_waited_for_a_minute_costs_seconds_of_it(tmp_path: Path) -> None:
    """After a stall all that waited is kept at once; it must not stand or fall as one."""
    blocks = cell_blocks(60.0)
    with Journal.create(tmp_path / "j", header(load_cell()), ballast_bytes=0) as journal:
        journal.append(blocks)
    data = bytearray((tmp_path / "j").read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "j").write_bytes(data)
    found = by_walk(tmp_path / "j")
    records = sum(map(len, found.batches.values()))
    n = sum(block.records.nbytes for block in blocks)
    assert n * 0.94 < records < n
    assert [loss.table for loss in found.damage] == ["batches"]


def test_a_log_that_is_gone_is_told(cut_off: Path, tmp_path: Path) -> None:
    beside(cut_off, "-wal").unlink()
    (by_index,) = [loss.why for loss in by_walk(cut_off).damage if loss.table == "log"]
    assert re.match(r"is not there: ([\d,]+) of its \1 frames are gone; ", by_index)
    beside(cut_off, "-shm").unlink()
    (loss,) = by_walk(cut_off).damage
    assert (loss.table, loss.last_row) == ("log", None)
    assert "is not there, though the recording was never ended" in loss.why
    made().journal(tmp_path / "closed")
    assert by_walk(tmp_path / "closed").damage == []


def test_a_log_cut_short_is_told_by_the_index_beside_it(tmp_path: Path) -> None:
    journal = made().journal(tmp_path / "j", close=False)
    copy = tmp_path / "copy"
    for end in ("", "-wal", "-shm"):
        beside(copy, end).write_bytes(beside(tmp_path / "j", end).read_bytes())
    journal.close()
    log = beside(copy, "-wal").read_bytes()
    beside(copy, "-wal").write_bytes(log[: len(log) // 2])
    damage = by_walk(copy).damage
    assert any(loss.table == "log" and "is cut short" in loss.why for loss in damage)


def test_the_log_of_another_recording_is_left_out(cut_off: Path, tmp_path: Path) -> None:
    """SQLite would read the rows of the other run as this one's."""
    whole = by_walk(cut_off)
    other = made(2.0).journal(tmp_path / "other", close=False)
    beside(cut_off, "-wal").write_bytes(beside(tmp_path / "other", "-wal").read_bytes())
    other.close()
    beside(cut_off, "-shm").unlink()
    found = by_walk(cut_off)
    assert set(found.marks) <= set(whole.marks)
    assert found.batches.items() <= whole.batches.items()
    assert any("of another recording" in loss.why for loss in found.damage)


def test_what_was_never_committed_is_not_read(tmp_path: Path) -> None:
    journal = made().journal(tmp_path / "j", close=False)
    before = by_walk(tmp_path / "j")
    log_bytes = beside(tmp_path / "j", "-wal").stat().st_size
    journal.append(cell_blocks(30.0, size=2000)[:3], [Event(kind="warning", t_s=9.0, data={})])
    log = beside(tmp_path / "j", "-wal").read_bytes()
    copy = tmp_path / "copy"
    copy.write_bytes((tmp_path / "j").read_bytes())
    # All frames of the last commit but the one that ends it.
    beside(copy, "-wal").write_bytes(log[: len(log) - FRAME])
    journal.close()
    assert len(log) - FRAME > log_bytes
    assert by_walk(copy) == before


def statement(path: Path, *words: str) -> None:
    connection = sqlite3.connect(path)
    for text in words:
        connection.execute(text)
    connection.commit()
    connection.close()


def test_an_end_that_is_lost_is_known_by_the_journals_own_counts(tmp_path: Path) -> None:
    run = made()
    run.header = header()
    run.blocks += wheel_blocks(3.0)
    run.events.append(Event(kind="stop", t_s=4.5, data={}))
    run.journal(tmp_path / "run.h5.journal")
    whole = by_walk(tmp_path / "run.h5.journal")
    last = max(whole.batches)
    statement(
        tmp_path / "run.h5.journal",
        f"DELETE FROM batches WHERE id > {last - 4}",
        "DELETE FROM marks WHERE id > 25",
        "DELETE FROM events WHERE id > 30",
    )
    damage = recover(tmp_path / "run.h5.journal", tmp_path / "run.h5")
    rows = {loss.table: (loss.row, loss.last_row) for loss in damage}
    assert rows == {"batches": (last - 3, last), "marks": (26, 30), "events": (31, 41)}
    with open_run(tmp_path / "run.h5") as opened:
        gaps = [gap for gap in opened.gaps() if gap.cause == "journal damaged"]
        lost = {gap.device: gap.lost_records for gap in gaps}
        for device in ("cell", "wheel"):
            assert opened.devices[device].n + lost[device] == len(run.records(device))
            assert all(gap.t_end_s == 4.5 for gap in gaps)


@pytest.mark.parametrize(
    "told",
    [
        {"records": {"cell": 10**30}},
        {"records": {"cell": 2.5}},
        {"rows": {"batches": 10**30}},
        {"rows": {"events": -1}},
        {"t_s": float("inf")},
        {"t_s": float("nan")},
    ],
    ids=str,
)
def test_counts_that_cannot_be_are_none_and_what_is_there_is_recovered(
    told: dict[str, object], tmp_path: Path
) -> None:
    """Nothing then says that the journal was ended: that is told."""
    run = made()
    path = run.journal(tmp_path / "run.h5.journal").path
    rows = dict.fromkeys(("batches", "marks", "events"), 10**6)
    text = json.dumps({"run": "", "rows": rows, "records": {"cell": 10**6}, "t_s": 3.0} | told)
    for table in ("meta", "meta_copy"):
        statement(
            path,
            f"UPDATE {table} SET value = '{text}', crc = {row_crc('closed', text)}"
            " WHERE key = 'closed'",
        )
    assert [loss.table for loss in recover(path, tmp_path / "run.h5")] == ["log"]
    with open_run(tmp_path / "run.h5") as opened:
        assert opened.devices["cell"].n == len(run.records("cell"))
        assert len(opened.revisions()) == len(run.marks)


@pytest.mark.parametrize("t_s", ["9e999", "-9e999"])
def test_an_event_of_no_time_costs_that_event_and_not_the_run(t_s: str, tmp_path: Path) -> None:
    run, path = made(), tmp_path / "run.h5.journal"
    run.journal(path)
    check = row_crc(1, "health", float(t_s), "{}")
    row = f"kind = 'health', t_s = {t_s}, json = '{{}}', crc = {check}"
    statement(path, f"UPDATE events SET {row} WHERE id = 1")
    (loss,) = recover(path, tmp_path / "run.h5")
    assert (loss.table, loss.row, loss.why) == (
        "events", 1, f"is of no time that can be ({float(t_s)} s)",
    )  # fmt: skip
    with open_run(tmp_path / "run.h5") as opened:
        assert opened.devices["cell"].n == len(run.records("cell"))
    assert main(["info", str(tmp_path / "run.h5")]) == 0


def test_an_earlier_version_counted_only_what_had_come(tmp_path: Path) -> None:
    """A count of the last seconds runs ahead of the commit and shows nothing, an older one does."""
    path = tmp_path / "j"
    run = made(4.0)
    run.events = []
    run.journal(path)

    def status(i: int, t_s: float, records: int) -> str:
        data = json.dumps({"devices": {"cell": {"records": records}}})
        check = row_crc(i, "health", t_s, data)
        return f"INSERT INTO events VALUES ({i}, 'health', {t_s}, '{data}', {check})"

    forget = "DELETE FROM {} WHERE key = 'closed'"
    statement(
        path, *(forget.format(t) for t in ("meta", "meta_copy")),
        status(1, 3.0, 6_000), status(2, 6.0, 9_000),
    )  # fmt: skip
    # No log, and no stop: of that it tells; not of the 1,000 that the last status counted more.
    assert {loss.table for loss in by_walk(path).damage} == {"log"}
    statement(path, "DELETE FROM batches WHERE first_record >= 5000")
    short = [loss for loss in by_walk(path).damage if loss.table == "batches"]
    assert [loss.device for loss in short] == ["cell"]


def test_both_headers_gone_is_a_refusal_and_one_is_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made().journal(tmp_path / "j")
    data = bytearray((tmp_path / "j").read_bytes())
    data[PAGE : 2 * PAGE] = bytes(PAGE)
    (tmp_path / "j").write_bytes(data)
    assert by_walk(tmp_path / "j").damage == []
    data[3 * PAGE : 4 * PAGE] = bytes(PAGE)
    (tmp_path / "j").write_bytes(data)
    with pytest.raises(JournalError, match="header is nowhere in it"):
        LeftBehind(tmp_path / "j")
    assert main(["recover", str(tmp_path / "j"), "--out", str(tmp_path / "run.h5")]) == 2
    told = capsys.readouterr().err
    assert "header is nowhere in it" in told
    assert "testcar export reads what that one holds" in told


def test_the_loss_is_told_by_recovery_and_by_the_file_ever_after(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal, run = tmp_path / "run.h5.journal", str(tmp_path / "run.h5")
    made().journal(journal)
    data = bytearray(journal.read_bytes())
    at = data.index(b'"i": 7')
    data[at] ^= 1
    journal.write_bytes(data)
    assert main(["recover", str(journal), "--out", run]) == 1
    told = capsys.readouterr()
    assert "1 event (number 8), after 0.60 s and before 0.80 s, cannot be read back" in told.err
    assert "of the database does not hold together" in told.err
    assert "recovered 3.9 s" in told.out
    assert main(["verify", run]) == 0
    words = capsys.readouterr().out
    assert ": sound" not in words
    assert "the journal that it was made from was damaged" in words
    assert "1 event (number 8)" in words
    assert main(["info", run]) == 0
    assert "LOST with the damaged journal: 1 event (number 8)" in capsys.readouterr().out
    assert main(["verify", "--json", run]) == 0
    assert len(json.loads(capsys.readouterr().out)["journal_damage"]) == 1


def test_a_journal_found_torn_at_the_stop_is_kept_for_recovery(tmp_path: Path) -> None:
    """Sealed without it, what the pages still hold would be given up with the journal."""
    journal, run = tmp_path / "run.h5.journal", tmp_path / "run.h5"
    for number, torn in enumerate(
        ("UPDATE events SET json = '{}' WHERE id = 3", "DELETE FROM marks WHERE id > 28")
    ):
        made().journal(journal)
        statement(journal, torn)
        follow(journal, run, Stopped())
        with pytest.raises(SealError, match="the journal is damaged"):
            seal(journal, run)
        assert journal.exists()
        assert recover(journal, tmp_path / f"{number}.h5")
        journal.unlink()
        run.unlink()


def test_counts_are_the_same_when_a_commit_is_tried_again(tmp_path: Path) -> None:
    """A mark between two tries must not make another commit of the second."""
    refusing = True

    def connect(path: Path) -> sqlite3.Connection:
        connection = open_connection(path)
        connection.set_authorizer(
            lambda action, table, *_: (
                sqlite3.SQLITE_DENY
                if refusing and action == sqlite3.SQLITE_INSERT and table == "events"
                else sqlite3.SQLITE_OK
            )
        )
        return connection

    run = made()
    journal = Journal.create(tmp_path / "j", run.header, connect=connect)
    health = Event(kind="health", t_s=1.0, data={})
    with pytest.raises((JournalError, OSError)):
        journal.append([], [health])
    journal.commit_mark(mark(0.5))
    refusing = False
    journal.append([], [health])
    journal.close()
    (text,) = sqlite3.connect(tmp_path / "j").execute("SELECT json FROM events").fetchone()
    assert json.loads(text)["journal"]["rows"] == {"batches": 0, "marks": 0, "events": 1}


def test_a_stop_that_nothing_came_before_is_no_end(tmp_path: Path) -> None:
    """Of an earlier version, whose log is gone: the stop is there, what came before it is not."""
    path = left_journal(tmp_path)
    whole = by_walk(path)
    beside(path, "-wal").unlink()
    found = by_walk(path)
    assert len(found.batches) < len(whole.batches)
    assert ("stop", 7.0) in found.events
    assert [loss.table for loss in found.damage] == ["log"]
