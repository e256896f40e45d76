"""The SQLite file of a companion: one file and no log beside it, every change on the disk.

Nothing is known here of what its entries mean, beyond whose they are and that each is as it was
kept. The file is made whole; a change that was cut off is taken back (``cut_off``). Every look
reads and checks all of it: it is small, and what was sound a moment ago may not be now.
"""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Final

from calibration.files.durable import refusal, write_new
from calibration.files.plain_database import beside
from recorder.machine.private_files import PRIVATE, no_file, share_as
from recorder.machine.sqlite_errors import SQLITE_READ_ERRORS
from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.cut_off import after_a_cut, is_cut_off, never_made
from recorder.run_file.companion.entries import VERSION, Binding, Entry, EntryKind, chained
from recorder.run_file.companion.stored import (
    Held,
    Whose,
    connection_to,
    database_of,
    put_entries,
    read_held,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["NotesFile"]

_FULL: Final = frozenset({sqlite3.SQLITE_FULL})
_BUSY: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})


class NotesFile:
    """The file of one run. Reading never makes it; the first entry added does."""

    def __init__(self, path: Path, run_id: str, digest: str | None) -> None:
        """The file need not be there; ``digest`` is None for a run that is not sealed.

        Raises
        ------
        CompanionError
            There is something and it is no companion, is damaged, or belongs to another run.
        """
        self.path = path
        self._whose = Whose(path, run_id, digest)
        if os.path.lexists(path) and (kind := no_file(path)):
            msg = f"{path}: {kind} is there, where the notes of a run should be; take it away"
            raise CompanionError(msg)
        self.held()

    def held(self) -> Held:
        """All that is in it, every entry as it was kept; nothing without a file.

        Raises
        ------
        CompanionError
            It is damaged, no companion, or another run's.
        """
        if not self.path.exists() or never_made(self.path):
            return Held()
        try:
            return self._read(self.path)
        except sqlite3.Error as error:
            if is_cut_off(error):
                return after_a_cut(self.path, self._read) or Held()
            msg = f"{self.path}: cannot be read now ({error}); do it again, or look at the disk"
            raise CompanionError(msg) from error

    def _read(self, place: Path) -> Held:
        with closing(connection_to(place, "ro")) as sql:
            return read_held(sql, self._whose)

    def add(self, new: Sequence[Entry]) -> None:
        """Keep entries, all of them or none; durable on return.

        Raises
        ------
        CompanionError
            A revision of the kind is there already, the file is damaged, or the run is not
            sealed.
        OSError
            The place cannot be written.
        """
        if self._whose.digest is None:
            msg = f"{self.path}: the run is not sealed yet, and only a sealed one is added to"
            raise CompanionError(msg)
        binding = Binding(self._whose.run_id, self._whose.digest)
        self.held()
        if (not self.path.exists() or never_made(self.path)) and self._made(new, binding):
            return
        try:
            with closing(connection_to(self.path, "rw")) as sql:
                self._append(sql, new, binding)
        except sqlite3.OperationalError as error:
            raise _not_written(self.path, error) from error
        except SQLITE_READ_ERRORS as error:
            raise self._whose.damaged(str(error)) from error
        self.held()

    def _made(self, new: Sequence[Entry], binding: Binding) -> bool:
        """Whether the file could be made whole with its first entries; another may be first."""
        entries = chained(new, binding)
        self._refuse_taken(entries)
        with refusal(self.path):
            if never_made(self.path):
                self.path.unlink()
            # Pieces of a file that is gone: they would be taken into this one.
            for piece in beside(self.path):
                piece.unlink(missing_ok=True)
        try:
            write_new(self.path, database_of(entries, binding, carried=0), mode=PRIVATE)
            share_as(self.path, self.path.with_suffix(""))
        except FileExistsError:
            return False
        return True

    def _append(self, sql: sqlite3.Connection, new: Sequence[Entry], binding: Binding) -> None:
        # One file and no log beside it: it is copied and mailed with the run.
        sql.execute("PRAGMA journal_mode=DELETE")
        sql.execute("PRAGMA synchronous=EXTRA")
        sql.execute("BEGIN IMMEDIATE")
        held = read_held(sql, self._whose)
        entries = chained([*held.entries, *new], binding)
        self._refuse_taken(entries)
        kept = len(held.entries) if held.version == VERSION else None
        put_entries(sql, entries, binding, kept=kept, carried=held.carried)
        sql.execute("COMMIT")

    def _refuse_taken(self, entries: Sequence[Entry]) -> None:
        revisions = [(e.name, e.revision) for e in entries if e.kind == EntryKind.REVISION]
        if len(set(revisions)) < len(revisions):
            msg = f"{self.path}: this revision is there already; nothing is overwritten"
            raise CompanionError(msg)


def _not_written(path: Path, error: sqlite3.OperationalError) -> OSError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in _FULL:
        return OSError(errno.ENOSPC, "disk full: nothing was added; make room", str(path))
    if code in _BUSY:
        words = "another program is writing to it; nothing was added, do it again"
        return OSError(errno.EBUSY, words, str(path))
    return OSError(errno.EIO, f"cannot be written ({error}); nothing was added", str(path))
