"""The companion: what is added to a sealed run afterwards, in ``RUN.h5.notes`` beside it.

A small SQLite file, every change on the disk when the call returns. Mark revisions and named
results (JSON), each with when, by whom and by which version of the software. Nothing is ever
overwritten: a result set again is a new entry.
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, TypeVar

from recorder.marks.mark import Mark
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.errors import CompanionError
from recorder.run.parts.event import Event, EventKind
from recorder.run_file.companion.notes_file import NotesFile, text_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

__all__ = ["Companion", "Result", "companion_path"]

T = TypeVar("T")

ZEROS: Final = "zeros"
"""Name of the result whose every entry is one revision of a zero."""


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
        self._file = NotesFile(self.path, run_id)

    # ------------------------------------------------------------------ reading

    def revisions(self) -> list[Mark]:
        """Every revision added after the seal, in order of entry.

        Raises
        ------
        CompanionError
        """
        rows = self._file.rows("SELECT json FROM revisions ORDER BY id")
        return [self._parsed(_mark, text) for (text,) in rows]

    def zero_revisions(self) -> list[Zero]:
        """Every revision of a zero made after the seal, in order of entry."""
        return [self._parsed(_zero, entry.data) for entry in self.history(ZEROS)]

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
                name=text_of(name),
                data=self._parsed(json.loads, text),
                utc_ns=self._parsed(int, utc_ns),
                by=text_of(by),
                version=text_of(version),
            )
            for name, text, utc_ns, by, version in self._file.rows(query, values)
        ]

    def findings(self) -> list[str]:
        """What is wrong with the file, one line each; empty when it is sound or absent."""
        if not self.path.exists():
            return []
        try:
            findings = [text_of(row[0]) for row in self._file.rows("PRAGMA integrity_check")]
            self.revisions()
            self.results()
            self.zero_revisions()
        except CompanionError as error:
            return [str(error)]
        return [f"{self.path}: {line}" for line in findings if line != "ok"]

    def disagreements(self) -> list[str]:
        """Entries whose text is not what stands beside it, one line each.

        Every revision is kept as a whole text, with its mark, number, writer and version beside
        it; who changes the one by hand forgets the other.

        Raises
        ------
        CompanionError
        """
        rows = self._file.rows("SELECT mark_id, revision, by, version, json FROM revisions")
        found = []
        for mark_id, revision, by, version, text in rows:
            mark = self._parsed(_mark, text)
            beside = (text_of(mark_id), revision, text_of(by), text_of(version))
            if beside != (mark.mark_id, mark.revision, mark.by, mark.software):
                found.append(
                    f"{self.path.name}: revision {mark.revision} of mark {mark.mark_id[:8]} is"
                    f" kept as revision {revision} of {text_of(mark_id)[:8]} by {text_of(by)}"
                )
        return found

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
        self._file.add(
            "INSERT INTO revisions (mark_id, revision, json, utc_ns, by, version)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (mark.mark_id, mark.revision, text, time.time_ns(), mark.by, mark.software),
        )

    def add_zero_revision(self, zero: Zero) -> None:
        """Keep a new revision of a zero; durable on return. Raises as :meth:`set_result`."""
        event = zero.to_event()
        data = {"t_s": event.t_s, **event.data}
        self.set_result(ZEROS, data, by=zero.by, version=zero.software)

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
        self._file.add(
            "INSERT INTO results (name, json, utc_ns, by, version) VALUES (?, ?, ?, ?, ?)",
            (name, text, time.time_ns(), by, version),
        )

    def _parsed(self, parse: Callable[[Any], T], held: object) -> T:
        try:
            return parse(held)
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as error:
            msg = f"{self.path}: damaged companion (an entry does not read: {error})"
            raise CompanionError(msg) from error

    def close(self) -> None:
        """Let the file go; it opens again when needed."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _mark(text: bytes) -> Mark:
    held = json.loads(text)
    if not isinstance(held, dict):
        msg = "not a JSON object"
        raise TypeError(msg)
    return Mark.from_dict(held)


def _zero(held: object) -> Zero:
    if not isinstance(held, dict):
        msg = "not a JSON object"
        raise TypeError(msg)
    zero = Zero.from_event(Event(kind=EventKind.ZERO, t_s=float(held["t_s"]), data=held))
    if not zero.revision:
        msg = "not a revision of a zero"
        raise ValueError(msg)
    return zero
