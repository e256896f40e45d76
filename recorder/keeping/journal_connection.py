"""The database connection that writes a journal: how it is opened, and what its errors mean."""

from __future__ import annotations

import errno
import os
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias
from urllib.parse import quote

from recorder.keeping.errors import JournalError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.keeping.journal_rows import NewRow

__all__ = [
    "Connect", "identity", "is_full", "is_passing", "log_bytes", "move_log", "open_connection",
    "roll_back", "wants_reopening",
]  # fmt: skip

PAGE_BYTES: Final = 16_384
"""A commit's rows are of some kilobytes: smaller pages make chains of them."""
LOCK_TIMEOUT_S: Final = 0.5
"""Nobody else writes. Whoever holds a lock for longer is met again at the next try: meanwhile
marks may come to their turn."""
PROBE_BYTES: Final = 64 * 1024
"""More than the usual commit grows the log by."""
_NO_ROOM: Final = frozenset({errno.ENOSPC, errno.EDQUOT})
_OURS: Final = (
    sqlite3.IntegrityError,
    sqlite3.ProgrammingError,
    sqlite3.DataError,
    sqlite3.NotSupportedError,
    sqlite3.InterfaceError,
)
"""Errors that another try only makes again: what was to be kept is wrong, or how we ask."""
_ITS_OWN: Final = frozenset(
    {
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_PROTOCOL,
        sqlite3.SQLITE_INTERNAL,
    }
)
"""Errors after which a connection's handles, or what it remembers of the file, are not trusted."""

Connect: TypeAlias = Callable[[Path], sqlite3.Connection]
"""Opens the connection that writes; tests hand in one whose commits fail."""


def open_connection(
    path: Path, factory: type[sqlite3.Connection] = sqlite3.Connection
) -> sqlite3.Connection:
    """Open a journal that is there for writing, with the durability that it promises.

    Raises
    ------
    JournalError
        It cannot be opened, or SQLite does not give that durability.
    """
    # "rw": a journal that somebody took away is never made anew, empty.
    place = f"file:{quote(os.fsencode(path.absolute().as_posix()))}?mode=rw"
    try:
        connection = sqlite3.connect(
            place,
            uri=True,
            isolation_level=None,
            check_same_thread=False,
            timeout=LOCK_TIMEOUT_S,
            factory=factory,
        )
    except sqlite3.Error as error:
        raise _not_begun(path, error) from error
    try:
        connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA fullfsync=1")
        connection.execute("PRAGMA wal_autocheckpoint=0")
        mode = connection.execute("PRAGMA journal_mode").fetchone()[0]
        level = connection.execute("PRAGMA synchronous").fetchone()[0]
    except sqlite3.Error as error:
        connection.close()
        raise _not_begun(path, error) from error
    if (mode, level) != ("wal", 2):
        connection.close()
        msg = (
            f"{path}: this disk cannot promise that records survive a power cut (SQLite gives"
            f" journal_mode {mode}, synchronous {level}); record to a local disk"
        )
        raise JournalError(msg)
    return connection


def _not_begun(path: Path, error: sqlite3.Error) -> JournalError:
    return JournalError(
        f"{path}: the journal cannot be begun ({error}); is this a local disk with room?"
    )


def roll_back(connection: sqlite3.Connection) -> None:
    """Give up what is not committed, if there is any: a full disk may have done so by itself."""
    if connection.in_transaction:
        connection.execute("ROLLBACK")


def log_bytes(rows: Sequence[NewRow]) -> int:
    """By how much about a commit of these rows makes the log longer: whole pages are written, for
    every row the one that it ends on."""
    held = [x for row in rows for x in row.columns if isinstance(x, str | bytes)]
    return sum(map(len, held)) + PAGE_BYTES * (len(rows) + 1)


def move_log(connection: sqlite3.Connection, *, longest: int) -> tuple[bool, bool]:
    """Move the log into the database; whether that was held up, and whether all was moved.

    Nobody is waited for, unless the log has more than ``longest`` bytes: a reader that is never at
    rest keeps it from beginning anew. When all is moved the next commit does that; the file of
    the log stays as long as it was.
    """
    ask = "PRAGMA wal_checkpoint({})"
    held, pages, moved = connection.execute(ask.format("PASSIVE")).fetchone()
    if pages * PAGE_BYTES > longest:
        held, pages, moved = connection.execute(ask.format("TRUNCATE")).fetchone()
    return bool(held), moved == pages


def identity(path: Path) -> tuple[int, int]:
    """Of the file that lies there now: another under its name has another."""
    found = path.stat()
    return found.st_dev, found.st_ino


def is_passing(error: Exception) -> bool:
    """Whether a commit that failed so may be tried again as it was."""
    if isinstance(error, sqlite3.Error):
        return not isinstance(error, _OURS)
    return isinstance(error, MemoryError | OSError)


def is_full(error: Exception, path: Path) -> bool:
    """Whether there is no room for what was to be written: the disk is full, or a quota."""
    code = _primary(error)
    if code == sqlite3.SQLITE_FULL:
        return True
    # A quota is told as an error of the disk, without its number: only a try can show it.
    return code == sqlite3.SQLITE_IOERR and _no_room(path.parent)


def wants_reopening(error: Exception) -> bool:
    """Whether a connection that failed so is better replaced before the next try."""
    return _primary(error) in _ITS_OWN


def _primary(error: Exception) -> int:
    return int(getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


def _no_room(folder: Path) -> bool:
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(os.urandom(PROBE_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        return error.errno in _NO_ROOM
    return False
