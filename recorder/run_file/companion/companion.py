"""The companion: what is added to a sealed run afterwards, in ``RUN.h5.notes`` beside it.

A small SQLite file, every change on the disk when the call returns. Mark revisions and named
results (JSON), each with when, by whom and by which version of the software, and a check that
binds it to the run and to the entry before it. Nothing is ever overwritten: a result set again is
a new entry.
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from calibration.quantities.bounded_text import bounded_json
from recorder.marks.mark import Mark
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.errors import CompanionError
from recorder.run.parts.event import Event, EventKind
from recorder.run_file.companion.entries import VERSION, Entry, EntryKind
from recorder.run_file.companion.mending import mended_words
from recorder.run_file.companion.notes_file import NotesFile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

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

    def __init__(self, path: Path | str, run_id: str, digest: str | None) -> None:
        """``path`` is the companion's own; the file need not be there.

        ``digest`` is the sealed run file's; None for a run that is not sealed, whose notes can
        be read and not added to.

        Raises
        ------
        CompanionError
            There is a file and it is no companion, is damaged, or belongs to another run.
        """
        self.path = Path(path)
        self._file = NotesFile(self.path, run_id, digest)

    # ------------------------------------------------------------------ reading

    def revisions(self) -> list[Mark]:
        """Every revision added after the seal, in order of entry.

        Raises
        ------
        CompanionError
        """
        held = self._file.held().entries
        return [self._parsed(_mark, e.text) for e in held if e.kind == EntryKind.REVISION]

    def zero_revisions(self) -> list[Zero]:
        """Every revision of a zero made after the seal, in order of entry."""
        return [self._parsed(_zero, entry.data) for entry in self.history(ZEROS)]

    def results(self) -> dict[str, Result]:
        """The newest entry of every named result."""
        return {entry.name: entry for entry in self._results()}

    def result(self, name: str) -> Result | None:
        """The newest entry of one result, or None."""
        entries = self.history(name)
        return entries[-1] if entries else None

    def history(self, name: str) -> list[Result]:
        """All entries of one result, oldest first."""
        return [entry for entry in self._results() if entry.name == name]

    def _results(self) -> Iterator[Result]:
        for entry in self._file.held().entries:
            if entry.kind == EntryKind.RESULT:
                yield Result(
                    name=str(entry.name),
                    data=self._parsed(bounded_json, entry.text),
                    utc_ns=self._parsed(int, entry.utc_ns),
                    by=str(entry.by),
                    version=str(entry.version),
                )

    def findings(self) -> list[str]:
        """What is wrong with the file, one line each; empty when it is sound or absent."""
        try:
            self.revisions()
            self.results()
            self.zero_revisions()
        except CompanionError as error:
            return [str(error)]
        return []

    def unprotected(self) -> int:
        """How many entries an earlier version kept, without checks; the first ones.

        Raises
        ------
        CompanionError
        """
        return self._file.held().carried

    def protection(self) -> str:
        """In one sentence, what holds the entries to what was kept; empty when there are none.

        Raises
        ------
        CompanionError
        """
        held = self._file.held()
        added = "1 entry" if len(held.entries) == 1 else f"{len(held.entries):,} entries"
        if not held.entries:
            return ""
        if held.version < VERSION:
            return (
                f"{self.path.name}: {added} not protected: an earlier version kept no checks of"
                " them; from the next addition on they have some"
            )
        words = f"{self.path.name}: {added} added after the seal, each as it was kept"
        if held.carried:
            words += f"; the first {held.carried} had no checks at first, and may be otherwise"
        return words

    def mendings(self) -> list[str]:
        """A line for each time that it was made anew of damaged notes, with what was wrong then.

        Raises
        ------
        CompanionError
        """
        return [
            f"{self.path.name}: {words}" for words in mended_words(self._file.held().entries)
        ]

    def disagreements(self) -> list[str]:
        """Entries whose text is not what stands beside it, one line each.

        Every revision is kept as a whole text, with its mark, number, writer and version beside
        it; who changes the one by hand forgets the other.

        Raises
        ------
        CompanionError
        """
        found = []
        for entry in self._file.held().entries:
            if entry.kind != EntryKind.REVISION:
                continue
            mark = self._parsed(_mark, entry.text)
            beside = (entry.name, entry.revision, entry.by, entry.version)
            if beside != (mark.mark_id, mark.revision, mark.by, mark.software):
                found.append(
                    f"{self.path.name}: revision {mark.revision} of mark {mark.mark_id[:8]} is"
                    f" kept as revision {entry.revision} of {str(entry.name)[:8]} by {entry.by}"
                )
        return found

    # ------------------------------------------------------------------ writing

    def add_revision(self, mark: Mark) -> None:
        """Keep a new revision of a mark (or a mark added afterwards); durable on return.

        Raises
        ------
        CompanionError
            This revision is there already, the run is not sealed, or the file is damaged.
        OSError
            The place cannot be written.
        """
        entry = Entry(
            kind=EntryKind.REVISION.value,
            name=mark.mark_id,
            revision=mark.revision,
            text=_json(mark.to_dict()),
            utc_ns=time.time_ns(),
            by=mark.by,
            version=mark.software,
        )
        self._file.add([entry])

    def add_zero_revision(self, zero: Zero) -> None:
        """Keep a new revision of a zero; durable on return. Raises as :meth:`set_results`."""
        event = zero.to_event()
        data = {"t_s": event.t_s, **event.data}
        self.set_result(ZEROS, data, by=zero.by, version=zero.software)

    def set_result(self, name: str, data: object, *, by: str, version: str) -> None:
        """Keep one named result; raises as :meth:`set_results`."""
        self.set_results({name: data}, by=by, version=version)

    def set_results(self, results: Mapping[str, object], *, by: str, version: str) -> None:
        """Keep named results (plain JSON values), all or none; durable on return.

        Raises
        ------
        TypeError
            One is not plain.
        CompanionError, OSError
            As :meth:`add_revision`.
        """
        now = time.time_ns()
        self._file.add(
            [
                Entry(
                    kind=EntryKind.RESULT.value,
                    name=name,
                    text=_json(data),
                    utc_ns=now,
                    by=by,
                    version=version,
                )
                for name, data in results.items()
            ]
        )

    def _parsed(self, parse: Callable[[Any], T], held: object) -> T:
        try:
            return parse(held)
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as error:
            msg = f"{self.path}: damaged companion (an entry does not read: {error})"
            raise CompanionError(msg) from error


def _json(data: object) -> str:
    return json.dumps(data, sort_keys=True, ensure_ascii=False)


def _mark(text: str) -> Mark:
    held = bounded_json(text)
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
