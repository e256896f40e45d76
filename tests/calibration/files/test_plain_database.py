"""A database that somebody else made: what is no plain table is refused, and no reading of one runs
on without end."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from itertools import islice
from pathlib import Path

import pytest

from calibration.files.plain_database import bounded_rows, check_plain

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
