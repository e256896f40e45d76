"""The SQLite file of a companion: one file and no log beside it, every change on the disk.

Nothing is known here of what its rows mean, beyond whose notes they are.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from recorder.machine.sqlite_errors import SQLITE_READ_ERRORS
from recorder.run.parts.errors import CompanionError

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["NotesFile", "text_of"]

FORMAT: Final = "testcar-notes"
VERSION: Final = 1
LARGEST_ENTRY_BYTES: Final = 64 * 2**20
BUSY_S: Final = 10.0
"""How long another program may hold the file."""

_SCHEMA: Final = (
    "CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS revisions (id INTEGER PRIMARY KEY, mark_id TEXT NOT NULL,"
    " revision INTEGER NOT NULL, json TEXT NOT NULL, utc_ns INTEGER NOT NULL, by TEXT NOT NULL,"
    " version TEXT NOT NULL, UNIQUE (mark_id, revision))",
    "CREATE TABLE IF NOT EXISTS results (id INTEGER PRIMARY KEY, name TEXT NOT NULL,"
    " json TEXT NOT NULL, utc_ns INTEGER NOT NULL, by TEXT NOT NULL, version TEXT NOT NULL)",
)


class NotesFile:
    """The file of one run. Reading never makes it; the first row added does."""

    def __init__(self, path: Path, run_id: str) -> None:
        """The file need not be there.

        Raises
        ------
        CompanionError
            There is a file and it is no companion, is damaged, or belongs to another run.
        """
        self.path = path
        self.run_id = run_id
        self._reader: sqlite3.Connection | None = None
        if self.path.exists():
            self._check()

    def _check(self) -> None:
        rows = self.rows("SELECT key, value FROM meta")
        meta = {text_of(key): text_of(value) for key, value in rows}
        if meta.get("format") != FORMAT:
            msg = f"{self.path}: not a companion of a run file"
            raise CompanionError(msg)
        if not meta.get("version", "").isdecimal() or int(meta["version"]) > VERSION:
            msg = (
                f"{self.path}: companion version {meta.get('version')!r}; this program reads up"
                f" to {VERSION}: use a newer one"
            )
            raise CompanionError(msg)
        if meta.get("run_id") != self.run_id:
            msg = f"{self.path}: belongs to run {meta.get('run_id')!r}, not to {self.run_id!r}"
            raise CompanionError(msg)

    def rows(self, query: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        """All rows of a query, texts as bytes (they may be damaged); none without a file.

        Raises
        ------
        CompanionError
            It is damaged, or no companion.
        """
        if not self.path.exists():
            return []
        try:
            if self._reader is None:
                place = f"file:{quote(self.path.resolve().as_posix())}?mode=ro"
                self._reader = sqlite3.connect(
                    place, uri=True, isolation_level=None, timeout=BUSY_S
                )
                self._reader.text_factory = bytes
                self._reader.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_ENTRY_BYTES)
            rows: list[tuple[Any, ...]] = self._reader.execute(query, values).fetchall()
        except SQLITE_READ_ERRORS as error:
            msg = f"{self.path}: not a companion of a run file, or damaged ({error})"
            raise CompanionError(msg) from error
        return rows

    def add(self, statement: str, values: tuple[object, ...]) -> None:
        """Insert a row; durable on return.

        Raises
        ------
        CompanionError
            There is such a row already, or the file is damaged.
        OSError
            The place cannot be written.
        """
        try:
            connection = sqlite3.connect(self.path, isolation_level=None, timeout=BUSY_S)
            try:
                self._insert(connection, statement, values)
            finally:
                connection.close()
        except sqlite3.OperationalError as error:
            raise OSError(None, f"cannot write ({error})", str(self.path)) from error
        except sqlite3.IntegrityError as error:
            msg = f"{self.path}: this revision is there already; nothing is overwritten"
            raise CompanionError(msg) from error
        except SQLITE_READ_ERRORS as error:
            msg = f"{self.path}: damaged companion ({error})"
            raise CompanionError(msg) from error
        self._check()

    def _insert(
        self, connection: sqlite3.Connection, statement: str, values: tuple[object, ...]
    ) -> None:
        # One file and no log beside it: it is copied and mailed with the run.
        connection.execute("PRAGMA journal_mode=DELETE")
        connection.execute("PRAGMA synchronous=EXTRA")
        connection.execute("BEGIN IMMEDIATE")
        for table in _SCHEMA:
            connection.execute(table)
        connection.executemany(
            "INSERT OR IGNORE INTO meta VALUES (?, ?)",
            [("format", FORMAT), ("version", str(VERSION)), ("run_id", self.run_id)],
        )
        connection.execute(statement, values)
        connection.execute("COMMIT")

    def close(self) -> None:
        """Let the file go; it opens again when needed."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None


def text_of(value: object) -> str:
    """The text of a value as :meth:`NotesFile.rows` gives it."""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
