"""A bench session on disk: SQLite, every reading durable at once, nothing ever changed.

Readings and events can only be added; triggers refuse anything else. One process holds a
session at a time.
"""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any, Final, Self

from calibration.bench.bench_reading import BenchError, TakenReading
from calibration.files.durable import write_new
from calibration.files.plain_database import beside, bounded_rows, check_plain, opened_plain
from calibration.quantities.bounded_text import bounded_json

__all__ = ["BenchStore", "never_begun"]

APPLICATION_ID: Final = 0x54434253
BUSY_S: Final = 0.5
"""How long another program may hold the file."""
LARGEST_BYTES: Final = 64 * 2**20
"""Of a fact or a reading; a damaged length must not ask for all memory."""
LAYOUT: Final = 2
"""2 keeps with a reading what stood against it; files of 1 open, and become 2."""
_SCHEMA: Final = """
CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE readings (id INTEGER PRIMARY KEY, body TEXT NOT NULL) STRICT;
CREATE TABLE events (id INTEGER PRIMARY KEY, utc TEXT NOT NULL, kind TEXT NOT NULL,
  text TEXT NOT NULL) STRICT;
CREATE TRIGGER readings_kept BEFORE UPDATE ON readings
  BEGIN SELECT RAISE(ABORT, 'a reading is never changed'); END;
CREATE TRIGGER readings_stay BEFORE DELETE ON readings
  BEGIN SELECT RAISE(ABORT, 'a reading is never thrown away'); END;
CREATE TRIGGER events_kept BEFORE UPDATE ON events
  BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;
CREATE TRIGGER events_stay BEFORE DELETE ON events
  BEGIN SELECT RAISE(ABORT, 'an event is never thrown away'); END;
"""
_TRIGGERS: Final = frozenset(re.findall(r"CREATE TRIGGER.*?END(?=;)", _SCHEMA, re.DOTALL))


class BenchStore:
    """The file. Used by one thread; raises ``BenchError``."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._db = connection

    @classmethod
    def create(cls, path: str | Path, facts: dict[str, Any]) -> Self:
        """Make a new session file; refuses to touch one that exists."""
        target = Path(path)
        if target.is_symlink() and not target.exists():
            msg = f"{target}: cannot be opened (it is a link to what is not there)"
            raise BenchError(msg)
        if target.exists() and not never_begun(target):
            msg = f"{target}: exists already; resume it, or give another name"
            raise BenchError(msg)
        if not target.parent.is_dir():
            msg = f"{target}: there is no folder {target.parent}"
            raise BenchError(msg)
        try:
            for part in (target, *beside(target)):
                # Of one whose making was cut off, or of one that is gone.
                part.unlink(missing_ok=True)
            write_new(target, _database_of(facts))
        except FileExistsError as error:
            msg = f"{target}: was just made by somebody else; give another name"
            raise BenchError(msg) from error
        except OSError as error:
            msg = f"{target}: the session cannot be written ({error.strerror})"
            raise BenchError(msg) from error
        return cls(target, _connect(target))

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open a session to go on with it."""
        target = Path(path)
        if not target.is_file():
            msg = f"{target}: there is no such bench session"
            raise BenchError(msg)
        connection = _connect(target)
        try:
            check_plain(connection, triggers=_TRIGGERS)
            (application,) = connection.execute("PRAGMA application_id").fetchone()
            (layout,) = connection.execute("PRAGMA user_version").fetchone()
            connection.execute("SELECT count(*) FROM readings").fetchone()
        except (sqlite3.Error, ValueError) as error:  # SQLite decodes damaged names too
            connection.close()
            raise BenchError(_unreadable(target, error)) from error
        if application != APPLICATION_ID or not 1 <= layout <= LAYOUT:
            connection.close()
            msg = f"{target}: not a bench session, or of a newer version"
            raise BenchError(msg)
        store = cls(target, connection)
        if layout < LAYOUT:
            store._write(f"PRAGMA user_version = {LAYOUT}", ())
        return store

    def facts(self) -> dict[str, Any]:
        """What was stated when the session was made."""
        try:
            rows = bounded_rows(self._db, "SELECT name, value FROM facts")
            return {name: bounded_json(value) for name, value in rows}
        except (sqlite3.Error, ValueError) as error:
            raise BenchError(_unreadable(self.path, error, "damaged bench session")) from error

    def readings(self) -> list[TakenReading]:
        """Every reading, in the order taken."""
        try:
            rows = bounded_rows(self._db, "SELECT body FROM readings ORDER BY id")
            return [TakenReading.from_document(bounded_json(body)) for (body,) in rows]
        except (sqlite3.Error, ValueError, TypeError) as error:
            raise BenchError(_unreadable(self.path, error, "damaged bench session")) from error

    def events(self) -> list[tuple[str, str, str]]:
        """(utc, kind, text) in order."""
        try:
            return bounded_rows(self._db, "SELECT utc, kind, text FROM events ORDER BY id")
        except (sqlite3.Error, ValueError) as error:
            raise BenchError(_unreadable(self.path, error, "damaged bench session")) from error

    def add_reading(self, reading: TakenReading) -> None:
        """Durable on return."""
        self._write(
            "INSERT INTO readings VALUES (?, ?)",
            (reading.number, json.dumps(reading.to_document(), allow_nan=False)),
        )

    def add_event(self, utc: str, kind: str, text: str) -> None:
        """Durable on return."""
        self._write("INSERT INTO events (utc, kind, text) VALUES (?, ?, ?)", (utc, kind, text))

    def _write(self, statement: str, values: tuple[Any, ...]) -> None:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute(statement, values)
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            msg = f"{self.path}: not written ({error}); free the disk and take it again"
            raise BenchError(msg) from error

    def close(self) -> None:
        """May be called twice."""
        self._db.close()


def _connect(path: Path) -> sqlite3.Connection:
    try:
        connection = opened_plain(path, "rw", largest=LARGEST_BYTES, wait_s=BUSY_S)
    except (sqlite3.Error, ValueError) as error:
        msg = f"{path}: cannot be opened ({error})"
        raise BenchError(msg) from error
    connection.text_factory = str
    try:
        # One process at a time: no second press operator writes into this session.
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        (level,) = connection.execute("PRAGMA synchronous").fetchone()
    except (sqlite3.Error, ValueError) as error:
        connection.close()
        raise BenchError(_unreadable(path, error)) from error
    if level != 2:
        connection.close()
        msg = f"{path}: this SQLite cannot promise that readings survive a power cut"
        raise BenchError(msg)
    return connection


def never_begun(path: Path) -> bool:
    """Whether a file's making was cut off before anything was in it: it may be made anew."""
    if path.is_symlink() or not path.is_file():
        return False
    if path.stat().st_size == 0:
        return not any(part.exists() and part.stat().st_size for part in beside(path))
    try:
        with closing(opened_plain(path, "rw", largest=LARGEST_BYTES, wait_s=BUSY_S)) as sql:
            (tables,) = sql.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except (sqlite3.Error, ValueError):
        return False
    return bool(tables == 0)


def _unreadable(
    path: Path, error: Exception, what: str = "not a bench session, or damaged"
) -> str:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"{path}: in use by another program ({error}); end it there, and do this again"
    return (
        f"{path}: {what} ({error}); nothing was changed: put back a copy of it, or begin another"
        " session under another name"
    )


def _database_of(facts: dict[str, Any]) -> bytes:
    """A whole session file without a reading: it appears with its facts, or not at all."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as sql:
        sql.executescript(_SCHEMA)
        sql.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        sql.execute(f"PRAGMA user_version = {LAYOUT}")
        sql.executemany(
            "INSERT INTO facts VALUES (?, ?)",
            [(name, json.dumps(value)) for name, value in facts.items()],
        )
        return sql.serialize()
