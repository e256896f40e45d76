"""The companion: what is added to a sealed run afterwards, in ``RUN.h5.notes`` beside it.

A small SQLite file, every change on the disk when the call returns. Mark revisions and named
results (JSON), each with when, by whom and by which version of the software. Nothing is ever
overwritten: a result set again is a new entry.
"""

from __future__ import annotations

import json
import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, TypeVar
from urllib.parse import quote

from recorder.machine.sqlite_errors import SQLITE_READ_ERRORS
from recorder.marks.mark import Mark
from recorder.run.parts.errors import CompanionError

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

__all__ = ["Companion", "Result", "companion_path"]

T = TypeVar("T")

FORMAT: Final = "testcar-notes"
VERSION: Final = 1
LARGEST_ENTRY_BYTES: Final = 64 * 2**20

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS revisions (id INTEGER PRIMARY KEY, mark_id TEXT NOT NULL,
    revision INTEGER NOT NULL, json TEXT NOT NULL, utc_ns INTEGER NOT NULL, by TEXT NOT NULL,
    version TEXT NOT NULL, UNIQUE (mark_id, revision));
CREATE TABLE IF NOT EXISTS results (id INTEGER PRIMARY KEY, name TEXT NOT NULL,
    json TEXT NOT NULL, utc_ns INTEGER NOT NULL, by TEXT NOT NULL, version TEXT NOT NULL);
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One entry of a named result."""

    name: str
    data: Any
    """Plain JSON values."""
    utc_ns: int
    """When it was set, nanoseconds since 1970."""
    by: str
    version: str
    """Of the software that made it."""


def companion_path(run_path: Path | str) -> Path:
    """Where the companion of a run file lies: ``RUN.h5.notes``."""
    path = Path(run_path)
    return path.with_name(path.name + ".notes")


class Companion:
    """The companion of one run. Reading never makes the file; the first entry does."""

    def __init__(self, path: Path | str, run_id: str) -> None:
        """``path`` is the companion's own; the file need not be there.

        Raises
        ------
        CompanionError
            There is a file and it is no companion, is damaged, or belongs to another run.
        """
        self.path = Path(path)
        self.run_id = run_id
        self._reader: sqlite3.Connection | None = None
        if self.path.exists():
            self._check()

    def _check(self) -> None:
        rows = self._read("SELECT key, value FROM meta")
        meta = {_text(key): _text(value) for key, value in rows}
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

    # ------------------------------------------------------------------ reading

    def revisions(self) -> list[Mark]:
        """Every revision added after the seal, in order of entry.

        Raises
        ------
        CompanionError
        """
        marks = []
        for (text,) in self._read("SELECT json FROM revisions ORDER BY id"):
            marks.append(self._parsed(lambda held: Mark.from_dict(json.loads(held)), text))
        return marks

    def results(self) -> dict[str, Result]:
        """The newest entry of every named result."""
        return {entry.name: entry for entry in self._entries("", ())}

    def result(self, name: str) -> Result | None:
        """The newest entry of one result, or None."""
        entries = self.history(name)
        return entries[-1] if entries else None

    def history(self, name: str) -> list[Result]:
        """All entries of one result, oldest first."""
        return self._entries("WHERE name = ?", (name,))

    def _entries(self, where: str, values: tuple[str, ...]) -> list[Result]:
        query = f"SELECT name, json, utc_ns, by, version FROM results {where} ORDER BY id"
        return [
            Result(
                name=_text(name),
                data=self._parsed(json.loads, text),
                utc_ns=self._parsed(int, utc_ns),
                by=_text(by),
                version=_text(version),
            )
            for name, text, utc_ns, by, version in self._read(query, values)
        ]

    def findings(self) -> list[str]:
        """What is wrong with the file, one line each; empty when it is sound or absent."""
        if not self.path.exists():
            return []
        try:
            findings = [_text(row[0]) for row in self._read("PRAGMA integrity_check")]
            self.revisions()
            self.results()
        except CompanionError as error:
            return [str(error)]
        return [f"{self.path}: {line}" for line in findings if line != "ok"]

    # ------------------------------------------------------------------ writing

    def add_revision(self, mark: Mark) -> None:
        """Keep a new revision of a mark (or a mark added afterwards); durable on return.

        Raises
        ------
        CompanionError
            This revision is there already, or the file is damaged.
        OSError
            The place cannot be written.
        """
        text = json.dumps(mark.to_dict(), sort_keys=True, ensure_ascii=False)
        self._write(
            "INSERT INTO revisions (mark_id, revision, json, utc_ns, by, version)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (mark.mark_id, mark.revision, text, time.time_ns(), mark.by, mark.software),
        )

    def set_result(self, name: str, data: object, *, by: str, version: str) -> None:
        """Keep a named result (plain JSON values); durable on return.

        Raises
        ------
        TypeError
            ``data`` is not plain.
        CompanionError, OSError
            As :meth:`add_revision`.
        """
        text = json.dumps(data, sort_keys=True, ensure_ascii=False)
        self._write(
            "INSERT INTO results (name, json, utc_ns, by, version) VALUES (?, ?, ?, ?, ?)",
            (name, text, time.time_ns(), by, version),
        )

    def _write(self, statement: str, values: tuple[object, ...]) -> None:
        try:
            connection = sqlite3.connect(self.path, isolation_level=None, timeout=10.0)
            try:
                # One file and no log beside it: it is copied and mailed with the run.
                connection.execute("PRAGMA journal_mode=DELETE")
                connection.execute("PRAGMA synchronous=EXTRA")
                connection.execute("BEGIN IMMEDIATE")
                for part in _SCHEMA.split(";"):
                    connection.execute(part)
                connection.executemany(
                    "INSERT OR IGNORE INTO meta VALUES (?, ?)",
                    [("format", FORMAT), ("version", str(VERSION)), ("run_id", self.run_id)],
                )
                connection.execute(statement, values)
                connection.execute("COMMIT")
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

    # ------------------------------------------------------------------ plumbing

    def _read(self, query: str, values: tuple[str, ...] = ()) -> list[tuple[Any, ...]]:
        if not self.path.exists():
            return []
        try:
            if self._reader is None:
                place = f"file:{quote(self.path.resolve().as_posix())}?mode=ro"
                self._reader = sqlite3.connect(
                    place, uri=True, isolation_level=None, timeout=10.0
                )
                self._reader.text_factory = bytes
                self._reader.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_ENTRY_BYTES)
            rows: list[tuple[Any, ...]] = self._reader.execute(query, values).fetchall()
        except SQLITE_READ_ERRORS as error:
            msg = f"{self.path}: not a companion of a run file, or damaged ({error})"
            raise CompanionError(msg) from error
        return rows

    def _parsed(self, make: Callable[[Any], T], held: object) -> T:
        try:
            return make(held)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            msg = f"{self.path}: damaged companion (an entry does not read: {error})"
            raise CompanionError(msg) from error

    def close(self) -> None:
        """Let the file go; it opens again when needed."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _text(value: object) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
