"""A journal's connection that fails as planned: locks, errors of the disk, a disk that hangs.

The one seam through which tests and campaigns let commits fail: ``Journal.create(…,
connect=faults.connect)``.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recorder.keeping.journal_connection import open_connection

__all__ = ["Faults", "database_error"]

ALWAYS = 10**9
_NAMES = {
    getattr(sqlite3, name): name
    for name in dir(sqlite3)
    if name.startswith("SQLITE_")
    and isinstance(getattr(sqlite3, name), int)
    # Limits and actions have small numbers of their own.
    and not name.startswith(("SQLITE_LIMIT", "SQLITE_DBCONFIG", "SQLITE_CREATE", "SQLITE_DROP"))
}


def database_error(code: int) -> sqlite3.Error:
    """The error that SQLite gives of a code, as its Python module raises it."""
    kind: type[sqlite3.Error] = sqlite3.OperationalError
    if code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        kind = sqlite3.DatabaseError
    error = kind(f"planned fault {_NAMES.get(code, code)}")
    error.sqlite_errorcode = code
    error.sqlite_errorname = _NAMES.get(code, "")
    return error


@dataclass(slots=True)
class _Plan:
    error: Exception
    at: str
    times: int
    done: bool
    """Carried out all the same: only the answer is an error."""


class Faults:
    """Plans what a journal's connections meet; any thread may plan."""

    def __init__(self) -> None:
        self.opened = 0
        """Connections opened so far."""
        self.met = 0
        """Faults that came to pass."""
        self._plans: list[_Plan] = []
        self._flows = threading.Event()
        self._flows.set()
        self.frozen = threading.Event()
        """Set while a statement waits for a frozen disk."""

    def connect(self, path: Path) -> sqlite3.Connection:
        """Open a connection that goes by the plans."""
        self.meet("OPEN", done=False)
        connection = open_connection(path, factory=_Connection)
        assert isinstance(connection, _Connection)
        connection.faults = self
        self.opened += 1
        return connection

    def fail(
        self, fault: int | Exception, *, at: str = "COMMIT", times: int = 1, done: bool = False
    ) -> None:
        """So many statements that begin so fail; with ``done`` after they were carried out."""
        error = database_error(fault) if isinstance(fault, int) else fault
        self._plans.append(_Plan(error, at, times, done))

    def mend(self) -> None:
        """Nothing fails any more."""
        self._plans.clear()
        self._flows.set()

    def freeze(self) -> None:
        """Every COMMIT waits until :meth:`mend`, as in a disk that hangs."""
        self._flows.clear()

    def meet(self, statement: str, *, done: bool) -> None:
        """Raise what is planned for this statement, before or after it was carried out."""
        if statement.startswith("COMMIT") and not done and not self._flows.is_set():
            self.frozen.set()
            self._flows.wait()
            self.frozen.clear()
        for plan in list(self._plans):
            if plan.times > 0 and plan.done is done and statement.startswith(plan.at):
                plan.times -= 1
                self.met += 1
                raise plan.error


class _Connection(sqlite3.Connection):
    faults: Faults | None = None

    def execute(self, sql: str, parameters: Iterable[Any] = (), /) -> sqlite3.Cursor:  # type: ignore[override]  # narrower than the stub
        if self.faults is not None:
            self.faults.meet(sql, done=False)
        found = super().execute(sql, tuple(parameters))
        if self.faults is not None:
            self.faults.meet(sql, done=True)
        return found
