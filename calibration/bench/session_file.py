"""A bench session on disk: SQLite, every reading durable at once, nothing ever changed.

Readings and events can only be added; triggers refuse anything else. One process holds a
session at a time.
"""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any, Final, Self

from calibration.bench.bench_reading import BenchError, TakenReading

__all__ = ["BenchStore"]

APPLICATION_ID: Final = 0x54434253
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


class BenchStore:
    """The file. Used by one thread; raises ``BenchError``."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._db = connection

    @classmethod
    def create(cls, path: str | Path, facts: dict[str, Any]) -> Self:
        """Make a new session file; refuses to touch one that exists."""
        target = Path(path)
        if target.exists():
            msg = f"{target}: exists already; resume it, or give another name"
            raise BenchError(msg)
        if not target.parent.is_dir():
            msg = f"{target}: there is no folder {target.parent}"
            raise BenchError(msg)
        store = cls(target, _connect(target))
        try:
            store._db.execute("BEGIN IMMEDIATE")
            for statement in _statements(_SCHEMA):
                store._db.execute(statement)
            store._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            store._db.execute(f"PRAGMA user_version = {LAYOUT}")
            store._db.executemany(
                "INSERT INTO facts VALUES (?, ?)",
                [(name, json.dumps(value)) for name, value in facts.items()],
            )
            store._db.execute("COMMIT")
        except sqlite3.Error as error:
            store.close()
            msg = f"{target}: the session cannot be written ({error})"
            raise BenchError(msg) from error
        return store

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open a session to go on with it."""
        target = Path(path)
        if not target.is_file():
            msg = f"{target}: there is no such bench session"
            raise BenchError(msg)
        connection = _connect(target)
        try:
            (application,) = connection.execute("PRAGMA application_id").fetchone()
            (layout,) = connection.execute("PRAGMA user_version").fetchone()
            connection.execute("SELECT count(*) FROM readings").fetchone()
        except (sqlite3.Error, ValueError) as error:  # SQLite decodes damaged names too
            connection.close()
            msg = f"{target}: not a bench session, damaged, or in use ({error})"
            raise BenchError(msg) from error
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
            rows = self._db.execute("SELECT name, value FROM facts").fetchall()
            return {name: json.loads(value) for name, value in rows}
        except (sqlite3.Error, ValueError) as error:
            msg = f"{self.path}: damaged bench session ({error})"
            raise BenchError(msg) from error

    def readings(self) -> list[TakenReading]:
        """Every reading, in the order taken."""
        try:
            rows = self._db.execute("SELECT body FROM readings ORDER BY id").fetchall()
            return [TakenReading.from_document(json.loads(body)) for (body,) in rows]
        except (sqlite3.Error, ValueError, TypeError) as error:
            msg = f"{self.path}: damaged bench session ({error})"
            raise BenchError(msg) from error

    def events(self) -> list[tuple[str, str, str]]:
        """(utc, kind, text) in order."""
        try:
            return self._db.execute("SELECT utc, kind, text FROM events ORDER BY id").fetchall()
        except (sqlite3.Error, ValueError) as error:
            msg = f"{self.path}: damaged bench session ({error})"
            raise BenchError(msg) from error

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
        connection = sqlite3.connect(path, isolation_level=None, timeout=0.5)
    except sqlite3.Error as error:
        msg = f"{path}: cannot be opened ({error})"
        raise BenchError(msg) from error
    try:
        # One process at a time: no second press operator writes into this session.
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        (level,) = connection.execute("PRAGMA synchronous").fetchone()
    except (sqlite3.Error, ValueError) as error:
        connection.close()
        msg = f"{path}: not a bench session, damaged, or in use by another program ({error})"
        raise BenchError(msg) from error
    if level != 2:
        connection.close()
        msg = f"{path}: this SQLite cannot promise that readings survive a power cut"
        raise BenchError(msg)
    return connection


def _statements(script: str) -> list[str]:
    found, pending = [], ""
    for line in script.splitlines():
        pending += line + "\n"
        if sqlite3.complete_statement(pending):
            found.append(pending.strip())
            pending = ""
    return found
