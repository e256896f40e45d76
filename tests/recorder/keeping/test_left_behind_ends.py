"""How a journal that was left behind ended: what is told, of how much, and once."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.keeping.journal import Journal
from recorder.keeping.journal_rows import Cursor
from recorder.keeping.left_behind import FILED, NAMED, LeftBehind
from recorder.keeping.seal import recover
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.kept_counts import Counts
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.earlier_version import check_contents, left_journal
from tests.recorder.keeping.test_left_behind import (
    FRAME,
    PAGE,
    beside,
    by_walk,
    made,
    read_all,
    statement,
)
from tests.recorder.made_runs import MadeRun, cell_blocks, header, load_cell, wheel_blocks

NOT_CLOSED = tuple(f"DELETE FROM {t} WHERE key = 'closed'" for t in ("meta", "meta_copy"))


def stopped(folder: Path, *events: Event | Gap) -> list[str]:
    """Tables of what is told of a run of some 3 s whose log is gone and that has no end row."""
    run = MadeRun(header=header(load_cell()), blocks=cell_blocks(3.0), events=list(events))
    run.journal(folder / "j")
    statement(folder / "j", *NOT_CLOSED)
    return [loss.table for loss in by_walk(folder / "j").damage]


def stop(t_s: float) -> Event:
    return Event(kind="stop", t_s=t_s, data={})


def silent(until_s: float) -> Gap:
    return Gap(device="cell", t_start_s=3.0, t_end_s=until_s, cause=Cause.SILENT)


@pytest.mark.parametrize(
    ("events", "told"),
    [
        ([stop(4.4)], []),
        ([stop(4.6)], ["log"]),
        ([stop(9.0)], ["log"]),
        ([silent(9.0), stop(9.0)], []),
        ([silent(8.5), stop(9.0)], ["log"]),
    ],
    ids=str,
)
def test_a_stop_is_the_end_where_what_came_until_then_is_there(
    events: list[Event | Gap], told: list[str], tmp_path: Path
) -> None:
    """The last record is of 3.0 s; a stop tells of each device that was silent before it."""
    assert stopped(tmp_path, *events) == told


def test_a_device_of_which_nothing_is_left_is_missed_to_the_last_record(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "j", header(), ballast_bytes=0) as journal:
        journal.append(wheel_blocks(3.0))
        journal.append(cell_blocks(3.0), [stop(3.2)])
    last = max(by_walk(tmp_path / "j").batches)
    statement(tmp_path / "j", "DELETE FROM batches WHERE device = 'cell'")
    (loss,) = recover(tmp_path / "j", tmp_path / "run.h5")
    assert (loss.table, loss.last_row) == ("batches", last)
    with open_run(tmp_path / "run.h5") as opened:
        (gap,) = opened.gaps("cell")
        assert gap.lost_records == sum(len(block.records) for block in cell_blocks(3.0))
        assert (gap.t_start_s, gap.t_end_s, gap.before_record) == (0.0, 3.2, 0)


def test_rows_missing_in_the_middle_are_told_by_their_numbers(tmp_path: Path) -> None:
    made().journal(tmp_path / "j")
    statement(
        tmp_path / "j",
        "DELETE FROM batches WHERE id IN (5, 6, 7, 9)",
        "DELETE FROM marks WHERE id = 1",
    )
    told = [(loss.table, loss.row, loss.last_row) for loss in by_walk(tmp_path / "j").damage]
    assert told == [("marks", 1, 1), ("batches", 5, 7), ("batches", 9, 9)]


def test_the_run_file_is_said_to_hold_no_more_than_it_does(tmp_path: Path) -> None:
    """Its filer was behind, and a file that is not sealed is not asked for its events."""
    made().journal(tmp_path / "j")
    statement(
        tmp_path / "j", "DELETE FROM marks WHERE id > 10", "DELETE FROM events WHERE id > 35"
    )
    with LeftBehind(tmp_path / "j") as reader:
        reader.hold_against(Counts({"marks": 20}, {}))
        damage = read_all(reader).damage
    told = [(loss.table, loss.row, loss.last_row, FILED in loss.why) for loss in damage]
    assert told == [
        ("events", 36, 40, False),
        ("marks", 11, 20, True),
        ("marks", 21, 30, False),
    ]


def test_a_loss_that_no_row_is_known_of_has_the_row_0(tmp_path: Path) -> None:
    made().journal(tmp_path / "j")
    statement(tmp_path / "j", *NOT_CLOSED)
    (loss,) = by_walk(tmp_path / "j").damage
    assert (loss.table, loss.row, loss.last_row) == ("log", 0, None)


def torn_log(folder: Path, frames: int) -> Path:
    """A journal cut off with its log, in so many frames of which a bit is turned."""
    journal = made().journal(folder / "whole", close=False)
    log = bytearray(beside(folder / "whole", "-wal").read_bytes())
    (folder / "j").write_bytes((folder / "whole").read_bytes())
    journal.close()
    count = len(log) // FRAME
    assert count > 3 * frames
    for k in range(frames):
        log[32 + (count // 3 + 2 * k) * FRAME + FRAME - 1] ^= 1
    beside(folder / "j", "-wal").write_bytes(log)
    return folder / "j"


@pytest.mark.parametrize(
    ("frames", "more"),
    [(1, ""), (NAMED, ""), (NAMED + 1, "so does 1 more"), (NAMED + 2, "so do 2 more")],
)
def test_damaged_places_are_named_once_and_of_many_the_number(
    frames: int, more: str, tmp_path: Path
) -> None:
    with LeftBehind(torn_log(tmp_path, frames)) as reader:
        told = reader.damage_found
    assert told.count("fails its checksum") == min(frames, NAMED)
    assert "does not hold together" not in told
    assert ("more" in told) is bool(more)
    assert more in told


def test_a_head_that_does_not_read_is_named(tmp_path: Path) -> None:
    made().journal(tmp_path / "j")
    data = bytearray((tmp_path / "j").read_bytes())
    (tmp_path / "j").write_bytes(b"\xa5" * 100 + data[100:])
    with LeftBehind(tmp_path / "j") as reader:
        assert "the head of the database does not read" in reader.damage_found
    (tmp_path / "j").write_bytes(data[: -PAGE // 2])
    with LeftBehind(tmp_path / "j") as reader:
        assert "the database is cut short" in reader.damage_found
    (tmp_path / "j").write_bytes(data)
    with LeftBehind(tmp_path / "j") as reader:
        assert reader.damage_found == ""


def test_a_chunk_is_about_as_large_as_asked_for(tmp_path: Path) -> None:
    """What is read at once is bounded, and every row comes once."""
    MadeRun(header=header(load_cell()), blocks=cell_blocks(20.0)).journal(tmp_path / "j")
    with LeftBehind(tmp_path / "j") as reader:
        cursor, sizes, seen = Cursor(), list[int](), list[int]()
        while rows := reader.read_new(cursor, chunk_bytes=30_000):
            sizes.append(sum(batch.records.nbytes for batch in rows.batches))
            seen += [batch.row for batch in rows.batches]
        assert seen == list(range(1, (reader.last_batch() or 0) + 1))
    assert max(sizes) < 45_000
    assert len(sizes) > 10


def test_a_journal_of_the_first_version_is_recovered_whole(tmp_path: Path) -> None:
    journal = left_journal(tmp_path)
    run = tmp_path / "run.h5"
    assert recover(journal, run) == []
    assert verify_run(run) == []
    with open_run(run) as opened:
        assert opened.complete
        check_contents(opened)
