"""A database that somebody else made: what is no plain table is refused, and no reading of one runs
on without end."""

from __future__ import annotations

import os
import sqlite3
import struct
from collections.abc import Callable
from contextlib import closing
from itertools import islice
from pathlib import Path

import pytest

from calibration.files.plain_database import bounded_rows, check_plain, opened_plain
from tests.calibration.files.hostile_journal import journal_naming

LOOP = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT x, 'a' FROM c"


@pytest.mark.parametrize(
    "made",
    [
        f"CREATE VIEW kept(id, text) AS {LOOP}",
        "CREATE VIRTUAL TABLE kept USING rtree(id, a, b)",
        "CREATE TABLE kept (id INTEGER PRIMARY KEY, text AS (hex(zeroblob(100000000))))",
        "CREATE TABLE kept (id, text); CREATE TRIGGER t AFTER INSERT ON kept BEGIN SELECT 1; END",
        "CREATE TABLE kept (id, text); CREATE INDEX i ON kept (hex(zeroblob(id)))",
        "CREATE TABLE kept (id, text TEXT DEFAULT (hex(zeroblob(100000000))))",
    ],
)
def test_what_is_no_plain_table_is_damage(made: str, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "f")) as sql:
        sql.executescript(made)
        with pytest.raises(sqlite3.DatabaseError, match="no plain table"):
            check_plain(sql)


def test_plain_tables_are_none_and_a_known_trigger_may_stand() -> None:
    trigger = "CREATE TRIGGER t AFTER INSERT ON kept BEGIN SELECT 1; END"
    with closing(sqlite3.connect(":memory:")) as sql:
        sql.executescript(
            f"CREATE TABLE kept (id TEXT PRIMARY KEY, n INTEGER) STRICT; {trigger}"
        )
        check_plain(sql, triggers={trigger})


def test_pages_that_are_counted_over_and_over_end(tmp_path: Path) -> None:
    """An inner page all of whose children are one page, itself an inner one: millions of rows."""
    path = tmp_path / "f"
    with closing(sqlite3.connect(path)) as sql:
        sql.execute("PRAGMA page_size = 4096")
        sql.execute("CREATE TABLE kept (id INTEGER PRIMARY KEY, text TEXT)")
        sql.executemany(
            "INSERT INTO kept VALUES (?, ?)", ((i, "x" * 30) for i in range(60_000))
        )
        sql.commit()
        ((root,),) = sql.execute("SELECT rootpage FROM sqlite_master").fetchall()
        ((whole,),) = sql.execute("SELECT count(*) FROM kept").fetchall()
    data = bytearray(path.read_bytes())
    at = (root - 1) * 4096
    (cell,) = struct.unpack_from(">H", data, at + 12)
    (inner,) = struct.unpack_from(">I", data, at + cell)
    data[at : at + 4096] = data[(inner - 1) * 4096 : inner * 4096]
    (n,) = struct.unpack_from(">H", data, at + 3)
    for cell in (*struct.unpack_from(f">{n}H", data, at + 12), 8):
        struct.pack_into(">I", data, at + cell, inner)
    path.write_bytes(data)
    with closing(sqlite3.connect(path)) as sql:
        query = "SELECT id, text FROM kept"
        assert sum(1 for _ in islice(sql.execute(query), 5 * whole)) == 5 * whole
        with pytest.raises(sqlite3.DatabaseError, match="more than the file"):
            bounded_rows(sql, query)


@pytest.mark.skipif(os.name != "posix", reason="pipes and links as POSIX has them")
@pytest.mark.parametrize("end", ["-journal", "-wal", "-shm"])
@pytest.mark.parametrize(
    "put", [os.mkfifo, Path.mkdir, lambda path: path.symlink_to("/dev/zero")]
)
def test_what_is_no_file_beside_a_database_is_refused_at_once(
    end: str, put: Callable[[Path], None], tmp_path: Path
) -> None:
    path = _a_database(tmp_path)
    put(path.with_name(path.name + end))
    with pytest.raises(sqlite3.OperationalError, match=f"f{end} beside it is no plain file"):
        opened_plain(path, "ro", largest=1000, wait_s=1.0)


@pytest.mark.parametrize("mode", ["ro", "rw"])
def test_a_journal_that_names_another_file_is_not_taken_back(mode: str, tmp_path: Path) -> None:
    """SQLite removes the file that such a journal names, whatever it is."""
    path, other = _a_database(tmp_path), tmp_path / "run of another day.h5"
    other.write_bytes(b"kept")
    journal_naming(other, path)
    with pytest.raises(sqlite3.OperationalError, match="names another file"):
        opened_plain(path, mode, largest=1000, wait_s=1.0)
    assert other.read_bytes() == b"kept"


def test_a_change_that_was_cut_off_names_no_other_file(tmp_path: Path) -> None:
    path = _a_database(tmp_path)
    with closing(sqlite3.connect(path, isolation_level=None)) as sql:
        sql.execute("PRAGMA cache_size = 1")
        sql.execute("BEGIN")
        sql.executemany("INSERT INTO kept VALUES (?, ?)", ((i, "x" * 3000) for i in range(50)))
        journal = path.with_name("f-journal").read_bytes()
    assert len(journal) > 512
    path.with_name("f-journal").write_bytes(journal)
    with closing(opened_plain(path, "rw", largest=10_000, wait_s=1.0)) as again:
        assert again.execute("SELECT count(*) FROM kept").fetchall() == [(0,)]


def _a_database(folder: Path) -> Path:
    path = folder / "f"
    with closing(sqlite3.connect(path)) as sql:
        sql.execute("CREATE TABLE kept (id INTEGER PRIMARY KEY, text TEXT)")
    return path
