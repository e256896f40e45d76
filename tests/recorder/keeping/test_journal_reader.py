"""A damaged journal gives what can be believed, tells what cannot, and never crashes."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.keeping.errors import JournalError
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.journal_rows import Cursor, row_crc
from recorder.keeping.seal import recover
from recorder.keeping.transfer import IndexMap
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


def read_all(path: Path) -> tuple[int, int, int]:
    """Numbers of batches, marks and damaged rows."""
    batches = marks = damage = 0
    with JournalReader(path) as reader:
        for rows in all_rows(reader):
            batches += len(rows.batches)
            marks += len(rows.marks)
            damage += len(rows.damage)
    return batches, marks, damage


@pytest.fixture
def cell_run() -> MadeRun:
    return MadeRun(
        header=header(load_cell()),
        blocks=cell_blocks(4.0),
        marks=[mark(1.0), mark(2.0)],
    )


def test_rows_come_once_and_in_order(tmp_path: Path, cell_run: MadeRun) -> None:
    path = tmp_path / "j"
    cell_run.journal(path)
    with JournalReader(path) as reader:
        cursor = Cursor()
        seen = []
        while rows := reader.read_new(cursor, chunk_bytes=2000):
            seen += [b.row for b in rows.batches]
        assert not reader.read_new(cursor)
        assert seen == list(range(1, (reader.last_batch() or 0) + 1))


def test_missing_and_foreign_files(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        JournalReader(tmp_path / "none")
    other = tmp_path / "other"
    sqlite3.connect(other).close()
    with pytest.raises(JournalError, match="not a journal"):
        JournalReader(other)
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE meta (key, value, crc)")
    connection.execute("INSERT INTO meta VALUES (1, NULL, 'x')")
    connection.commit()
    connection.close()
    with pytest.raises(JournalError, match="not a journal"):
        JournalReader(other)


def test_a_journal_that_cannot_be_opened_now_is_told_and_no_mistake_of_ours(
    tmp_path: Path, cell_run: MadeRun
) -> None:
    """As for a process that has no handles left: SQLite says no more than that."""
    path = cell_run.journal(tmp_path / "run.journal").path
    resource = pytest.importorskip("resource", reason="limits of a process as POSIX has them")
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    with path.open("rb") as file:
        next_handle = file.fileno()
    resource.setrlimit(resource.RLIMIT_NOFILE, (next_handle, before[1]))
    try:
        with pytest.raises(JournalError, match=r"run\.journal: the journal cannot be read now"):
            JournalReader(path)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


def test_a_newer_version_is_told(tmp_path: Path, cell_run: MadeRun) -> None:
    path = tmp_path / "j"
    cell_run.journal(path)
    connection = sqlite3.connect(path)
    connection.execute(
        "UPDATE meta SET value = '9', crc = ? WHERE key = 'version'", (row_crc("version", "9"),)
    )
    connection.commit()
    connection.close()
    with pytest.raises(JournalError, match="version 9 is newer"):
        JournalReader(path)


def test_the_header_has_a_copy(tmp_path: Path, cell_run: MadeRun) -> None:
    path = tmp_path / "j"
    cell_run.journal(path)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE meta SET value = 'x' WHERE key = 'header'")
    connection.commit()
    connection.close()
    with JournalReader(path) as reader:
        assert reader.header == cell_run.header


DAMAGE = {
    "the payload": "UPDATE batches SET payload = zeroblob(length(payload)) WHERE id = 3",
    "a payload that is text": "UPDATE batches SET payload = 'x' WHERE id = 3",
    "the device": "UPDATE batches SET device = 'wheel' WHERE id = 3",
    "the place": "UPDATE batches SET first_record = first_record + 1 WHERE id = 3",
    "the check": "UPDATE batches SET crc = crc + 1 WHERE id = 3",
    "the row": "DELETE FROM batches WHERE id = 3",
}


@pytest.mark.parametrize("statement", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_row_is_a_gap_in_the_recovered_run(
    tmp_path: Path, cell_run: MadeRun, statement: str
) -> None:
    path = tmp_path / "run.h5.journal"
    cell_run.journal(path)
    connection = sqlite3.connect(path)
    connection.execute(statement)
    connection.commit()
    connection.close()
    losses = recover(path, tmp_path / "run.h5")
    assert len(losses) == 1
    assert losses[0].row == 3
    wanted = cell_run.records("cell")
    with open_run(tmp_path / "run.h5") as run:
        lost = 8 * 50  # one commit of eight blocks
        found = run.devices["cell"].records()
        assert found.tobytes() == np.delete(wanted, np.s_[800 : 800 + lost]).tobytes()
        (gap,) = run.gaps()
        assert (gap.cause, gap.lost_records, gap.before_record) == (
            "journal damaged",
            lost,
            800,
        )
        times = run.devices["cell"].time_s()
        assert gap.t_start_s == times[799]
        assert gap.t_end_s == times[800]
        assert [e.data["row"] for e in run.events("journal_damage")] == [3]
        assert len(run.marks()) == 2
    assert verify_run(tmp_path / "run.h5") == []


def test_damaged_marks_and_events_are_told_and_the_rest_kept(tmp_path: Path) -> None:
    path = tmp_path / "run.h5.journal"
    made_run(2.0).journal(path)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE marks SET json = '{}' WHERE id = 2")
    connection.execute("UPDATE events SET json = x'ff00fe' WHERE id = 3")
    connection.commit()
    connection.close()
    losses = recover(path, tmp_path / "run.h5")
    assert {(loss.table, loss.row) for loss in losses} == {("marks", 2), ("events", 3)}
    with open_run(tmp_path / "run.h5") as run:
        assert len(run.revisions()) == 4
        assert not run.events("health")
        assert len(run.events("stop")) == 1


def test_indices_follow_the_losses() -> None:
    index = IndexMap()
    assert index.place(0, 100) == 0
    assert index.place(150, 100) == 50
    assert index.place(250, 10) == 0
    assert index.place(300, 10) == 40
    assert index.place(315, 10) == 5
    asked = (0, 99, 150, 249, 259, 300, 309, 315, 324)
    assert [index.in_file(i) for i in asked] == [0, 99, 100, 199, 209, 210, 219, 220, 229]


def test_where_the_first_row_is_lost_the_gap_begins_with_the_run(
    tmp_path: Path, cell_run: MadeRun
) -> None:
    path = tmp_path / "run.h5.journal"
    cell_run.journal(path)
    with sqlite3.connect(path) as sql:
        sql.execute("DELETE FROM batches WHERE id = 1")
    sql.close()
    (loss,) = recover(path, tmp_path / "run.h5")
    assert (loss.table, loss.row, loss.last_row) == ("batches", 1, 1)
    with open_run(tmp_path / "run.h5") as run:
        (gap,) = run.gaps()
        assert (gap.t_start_s, gap.lost_records, gap.before_record) == (0.0, 400, 0)
        assert gap.t_end_s == run.devices["cell"].time_s()[0]


def _left_behind(tmp_path: Path, run: MadeRun) -> dict[str, bytes]:
    """Database and log as a killed process leaves them."""
    journal = run.journal(tmp_path / "whole", close=False)
    files = {end: (tmp_path / f"whole{end}").read_bytes() for end in ("", "-wal")}
    journal.close()
    return files


def test_a_torn_log_gives_the_commits_before_the_tear(
    tmp_path: Path, cell_run: MadeRun
) -> None:
    files = _left_behind(tmp_path, cell_run)
    log = files["-wal"]
    assert len(log) > 100_000
    before = -1
    readable = 0
    for cut in [*range(0, len(log), len(log) // 60), len(log)]:
        for end, data in (("", files[""]), ("-wal", log[:cut]), ("-shm", b"")):
            (tmp_path / f"torn{end}").write_bytes(data)
        (tmp_path / "torn-shm").unlink()
        try:
            batches, _, damage = read_all(tmp_path / "torn")
        except JournalError:
            assert before <= 0, "what a shorter log gave, a longer one must give"
            continue
        assert damage == 0
        assert batches >= before
        before = batches
        readable += 1
    assert readable > 20
    assert before == len(list(cell_run.commits()))


def test_recovery_from_a_torn_log_is_a_sound_run(tmp_path: Path, cell_run: MadeRun) -> None:
    files = _left_behind(tmp_path, cell_run)
    (tmp_path / "torn").write_bytes(files[""])
    (tmp_path / "torn-wal").write_bytes(files["-wal"][: int(len(files["-wal"]) * 0.8)])
    recover(tmp_path / "torn", tmp_path / "run.h5")
    assert verify_run(tmp_path / "run.h5") == []
    with open_run(tmp_path / "run.h5") as run:
        n = run.devices["cell"].n
        assert 0 < n < len(cell_run.records("cell"))
        assert run.devices["cell"].records().tobytes() == cell_run.records("cell")[:n].tobytes()


@settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_any_damage_to_the_file_is_an_error_or_told(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("hostile")
    run = MadeRun(header=header(load_cell()), blocks=cell_blocks(1.0), marks=[mark(0.5)])
    run.journal(folder / "j")
    raw = bytearray((folder / "j").read_bytes())
    for _ in range(data.draw(st.integers(1, 20))):
        at = data.draw(st.integers(0, len(raw) - 1))
        raw[at] = data.draw(st.integers(0, 255))
    if data.draw(st.booleans()):
        del raw[data.draw(st.integers(0, len(raw) - 1)) :]
    (folder / "j").write_bytes(raw)
    wanted = {b.sequence: b.records.tobytes() for b in run.blocks}
    told = ""
    try:
        with JournalReader(folder / "j") as reader:
            for rows in all_rows(reader):
                for batch in rows.batches:
                    for block in batch.blocks:
                        assert wanted[block.sequence] == block.records.tobytes()
    except JournalError as error:
        told = str(error)
    assert told == "" or str(folder) in told


@given(garbage=st.binary(max_size=5000))
@settings(max_examples=50, deadline=None)
def test_garbage_is_no_journal(
    tmp_path_factory: pytest.TempPathFactory, garbage: bytes
) -> None:
    path = tmp_path_factory.mktemp("garbage") / "j"
    path.write_bytes(garbage)
    with pytest.raises(JournalError):
        JournalReader(path)
