"""A journal whose pages are torn: what cannot be read is a loss with its rows, never silence."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest

from recorder.command_line.main import main
from recorder.keeping import journal as journal_module
from recorder.keeping.errors import JournalError
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.journal_rows import Cursor, Damage, row_crc
from recorder.keeping.left_behind import LeftBehind
from recorder.keeping.seal import recover
from recorder.run.parts.event import Event, EventKind
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.made_runs import (
    MadeRun,
    all_rows,
    cell_blocks,
    header,
    load_cell,
    made_run,
    mark,
)

TABLES = ("batches", "marks", "events")


@pytest.fixture(scope="module")
def cell_run() -> MadeRun:
    """Enough rows of every kind that each table's tree has more than one level."""
    words = "a long word of the crew " * 60
    return MadeRun(
        header=header(load_cell()),
        blocks=cell_blocks(3.0),
        marks=[mark(0.01 * i, kind="remark", value="", note=words) for i in range(60)],
        events=[Event(kind="health", t_s=0.1 * i, data={"why": words}) for i in range(60)],
    )


@pytest.fixture(scope="module")
def whole(cell_run: MadeRun, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The journal's bytes."""
    path = tmp_path_factory.mktemp("whole") / "j"
    cell_run.journal(path)
    return path.read_bytes()


def committed(data: bytes, folder: Path) -> dict[str, int]:
    """Rows of every table of a whole journal."""
    (folder / "whole").write_bytes(data)
    connection = sqlite3.connect(folder / "whole")
    rows = {t: connection.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in TABLES}
    connection.close()
    return rows


def cell_run_records(seconds: float) -> int:
    """Of the cell, as it went in."""
    return sum(len(block.records) for block in cell_blocks(seconds))


def page_bytes(data: bytes) -> int:
    """Size of a database page, from bytes 16 and 17 of the file (SQLite's file format)."""
    return int.from_bytes(data[16:18], "big")


def torn_at_each_page(data: bytes) -> Iterator[tuple[int, bytes]]:
    """The journal with one page after another gone to zeros, as a lying disk leaves it."""
    size = page_bytes(data)
    for start in range(size, len(data), size):
        yield start // size + 1, data[:start] + bytes(size) + data[start + size :]


def accounted(path: Path) -> tuple[dict[str, set[int]], list[Damage]]:
    """Number of rows read of each table, and every loss that is told."""
    read = dict.fromkeys(TABLES, 0)
    batches: set[int] = set()
    losses: list[Damage] = []
    with JournalReader(path) as reader:
        for rows in all_rows(reader):
            batches |= {batch.row for batch in rows.batches}
            read["marks"] += len(rows.marks)
            read["events"] += len(rows.events)
            losses += rows.damage
    return {"batches": batches, **{t: set(range(1, read[t] + 1)) for t in TABLES[1:]}}, losses


def test_a_page_gone_anywhere_costs_only_rows_that_are_told(
    tmp_path: Path, whole: bytes
) -> None:
    """Marks and events are counted, batches known by their rows: none may be missing untold."""
    rows = committed(whole, tmp_path)
    assert min(rows.values()) > 10
    hit = 0
    for page, torn in torn_at_each_page(whole):
        (tmp_path / "j").write_bytes(torn)
        read, losses = accounted(tmp_path / "j")
        for table in TABLES:
            told: set[int] = set()
            for loss in losses:
                if loss.table == table:
                    last = rows[table] if loss.last_row is None else loss.last_row
                    told |= set(range(loss.row, last + 1))
            assert len(read[table]) + len(told) >= rows[table], (page, table)
            if table == "batches":
                assert read[table] | told >= set(range(1, rows[table] + 1)), page
            hit += bool(told)
    assert hit > 10


def test_a_table_that_cannot_be_read_at_all_is_lost_to_its_end(
    tmp_path: Path, whole: bytes
) -> None:
    """The root page of the batches: marks and events are kept, the loss is open-ended."""
    connection = sqlite3.connect(tmp_path / "j")
    (tmp_path / "j").write_bytes(whole)
    (root,) = connection.execute(
        "SELECT rootpage FROM sqlite_master WHERE name = 'batches'"
    ).fetchone()
    connection.close()
    size = page_bytes(whole)
    at = (root - 1) * size
    (tmp_path / "j").write_bytes(whole[:at] + bytes(size) + whole[at + size :])
    read, losses = accounted(tmp_path / "j")
    assert not read["batches"]
    assert len(read["marks"]) == 60
    (loss,) = losses
    assert (loss.table, loss.row, loss.last_row) == ("batches", 1, None)
    assert "malformed" in loss.why
    with JournalReader(tmp_path / "j") as reader:
        assert reader.last_batch() is None


def test_a_torn_end_is_told_once_and_the_run_is_sound(tmp_path: Path, whole: bytes) -> None:
    """What is given up stays given up: the same loss is not told at every look."""
    size = page_bytes(whole)
    rows = committed(whole, tmp_path)["batches"]
    for page, torn in torn_at_each_page(whole):
        journal = tmp_path / f"{page}.h5.journal"
        journal.write_bytes(torn)
        read, losses = accounted(journal)
        if max(read["batches"], default=rows) < rows:
            break
    else:
        pytest.fail("no page of this journal holds its last batch")
    assert len(torn) % size == 0
    run = tmp_path / "run.h5"
    (loss,) = [loss for loss in losses if loss.table == "batches"]
    (told,) = recover(journal, run)
    assert (told.table, told.row, told.last_row) == ("batches", loss.row, rows)
    assert verify_run(run) == []
    with open_run(run) as opened:
        (event,) = opened.events("journal_damage")
        assert (event.data["row"], event.data["last_row"]) == (loss.row, rows)
        (gap,) = [gap for gap in opened.gaps() if gap.cause == "journal damaged"]
        assert gap.device == "cell"
        assert opened.devices["cell"].n + gap.lost_records == cell_run_records(3.0)


def test_a_journal_that_is_only_busy_is_not_given_up(
    tmp_path: Path, whole: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock that another program holds passes: no row may be told as lost because of it."""
    path = tmp_path / "j"
    # Bytes 18 and 19 of the file: 1 is a rollback journal, where a writer shuts readers out.
    path.write_bytes(whole[:18] + b"\x01\x01" + whole[20:])
    monkeypatch.setattr("recorder.keeping.journal_reader.LOCK_TIMEOUT_S", 0.01)
    with JournalReader(path) as reader:
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN EXCLUSIVE")
        cursor = Cursor()
        with pytest.raises(JournalError, match="locked"):
            reader.read_new(cursor)
        with pytest.raises(JournalError, match=r"cannot be read now .*locked"):
            JournalReader(path)
        holder.execute("ROLLBACK")
        holder.close()
        assert reader.read_new(cursor).batches
        assert not cursor.given_up


def test_a_damaged_header_is_told_though_its_copy_serves(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "j"
    path.write_bytes(whole)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE meta SET value = 'x' WHERE key = 'header'")
    connection.commit()
    connection.close()
    _, losses = accounted(path)
    (loss,) = losses
    assert loss.table == "meta"
    assert "header" in loss.why


def test_a_name_that_is_no_text_any_more_is_a_loss(tmp_path: Path, whole: bytes) -> None:
    """A byte in the name of a column: nothing of that table reads, and all the rest does."""
    path = tmp_path / "j"
    at = whole.index(b"kind TEXT")
    path.write_bytes(whole[:at] + b"\x80" + whole[at + 1 :])
    read, losses = accounted(path)
    assert len(read["batches"]) == committed(whole, tmp_path)["batches"]
    assert [(loss.table, loss.row, loss.last_row) for loss in losses] == [("events", 1, 60)]


def test_a_tree_that_gives_one_page_over_and_over_ends(tmp_path: Path, whole: bytes) -> None:
    """Every branch leads to the first leaf: rows come once, and the rest is missed."""
    size, events_root = page_bytes(whole), 9
    data = bytearray(whole)
    page = memoryview(data)[(events_root - 1) * size : events_root * size]
    assert page[0] == 5
    n = int.from_bytes(page[3:5], "big")
    cells = [int.from_bytes(page[12 + 2 * i : 14 + 2 * i], "big") for i in range(n)]
    first = bytes(page[cells[0] : cells[0] + 4])
    for at in [*cells, 8]:
        page[at : at + 4] = first
    page.release()
    (tmp_path / "j").write_bytes(data)
    cursor = Cursor()
    with JournalReader(tmp_path / "j") as reader:
        events = reader.read_new(cursor).events
        assert 0 < len(events) < 60
        assert len({event.t_s for event in events}) == len(events)
        # SQLite says nothing of it: the counts of the clean end do, and nothing is sealed.
        assert not reader.holds_all(cursor)
    assert recover(tmp_path / "j", tmp_path / "run.h5") == []
    with open_run(tmp_path / "run.h5") as opened:
        assert len(opened.events("health")) == 60


@pytest.mark.parametrize("first", [-1, -(2**63), 2**63 - 1, 2**53])
def test_a_batch_at_a_record_that_cannot_be_is_a_loss(first: int, tmp_path: Path) -> None:
    """Its check holds; nothing can be counted from it."""
    run = made_run(1.0)
    run.journal(tmp_path / "j")
    with sqlite3.connect(tmp_path / "j") as sql:
        row, device, _, n, _, payload = sql.execute("SELECT * FROM batches").fetchone()
        check = row_crc(row, device, first, n, payload)
        sql.execute("UPDATE batches SET first_record=?, crc=? WHERE id=?", (first, check, row))
    sql.close()
    out = tmp_path / "run.h5"
    assert main(["recover", str(tmp_path / "j"), "--out", str(out)]) == 1
    with open_run(out) as held:
        told = [e.data["why"] for e in held.events() if e.kind == EventKind.JOURNAL_DAMAGE]
    assert f"cannot begin at record {first}" in told


@pytest.mark.parametrize("told", [0, 1, 512, 1024, 4096, 8192, 17_408, 32_768])
def test_a_head_that_tells_another_size_of_pages_costs_nothing(
    told: int, cell_run: MadeRun, tmp_path: Path
) -> None:
    """Bytes 16 and 17 of the file; 1 stands for 65,536. Every row is where it was."""
    with mock.patch.object(journal_module, "CHECKPOINT_BYTES", 100_000):
        journal = cell_run.journal(tmp_path / "whole", close=False)
    base, log = ((tmp_path / f"whole{end}").read_bytes() for end in ("", "-wal"))
    journal.close()
    assert min(len(base), len(log)) > 100_000
    (tmp_path / "j").write_bytes(base[:16] + told.to_bytes(2, "big") + base[18:])
    (tmp_path / "j-wal").write_bytes(log)
    assert recover(tmp_path / "j", tmp_path / "run.h5") == []
    with open_run(tmp_path / "run.h5") as opened:
        assert opened.devices["cell"].n == cell_run_records(3.0)
        assert len(opened.revisions()) == 60
        assert len(opened.events("health")) == 60


@pytest.mark.parametrize("told", [0, 1])
def test_a_leaf_that_tells_of_fewer_rows_hides_none(
    told: int, whole: bytes, tmp_path: Path
) -> None:
    """Bytes 3 and 4 of a page count its rows; they are where they were."""
    size, path, tried = page_bytes(whole), tmp_path / "j", 0
    for start in range(size, len(whole), size):
        if whole[start] != 13 or whole[start + 3 : start + 5] <= b"\0\1":
            continue
        count = told.to_bytes(2, "big")
        path.write_bytes(whole[: start + 3] + count + whole[start + 5 :])
        with LeftBehind(path) as reader:
            parts = list(all_rows(reader))
        assert [damage for rows in parts for damage in rows.damage] == [], start
        assert sum(len(rows.marks) for rows in parts) == 60
        tried += 1
    assert tried > 10
