"""A companion whose last change was cut off: a kill or a power cut leaves SQLite's journal beside.

What the change had overwritten stands in it, and is put back before the file is believed. That is
tried on a copy first: a journal that does not belong to the file would only destroy it.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.stored import connection_to

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = [
    "after_a_cut", "is_cut_off", "journal_of", "log_of", "never_made", "taken_back",
]  # fmt: skip

T = TypeVar("T")


def journal_of(path: Path) -> Path:
    """SQLite's own journal of a file, there while it is changed."""
    return path.with_name(path.name + "-journal")


def log_of(path: Path) -> Path:
    """SQLite's log of a file that another program has put into that mode; ours never do."""
    return path.with_name(path.name + "-wal")


def is_cut_off(error: sqlite3.Error) -> bool:
    """Whether a reader was refused because a change must be taken back first."""
    return getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_READONLY_ROLLBACK


def never_made(path: Path) -> bool:
    """Whether the very making of the file was cut off: nothing had been kept in it."""
    return path.exists() and path.stat().st_size == 0 and journal_of(path).exists()


def after_a_cut(path: Path, read: Callable[[Path], T]) -> T | None:
    """What ``read`` gives once the change is taken back; None when nothing had been kept.

    Where the place cannot be written it is read from a copy, and the file stays as it is.

    Raises
    ------
    CompanionError
        The change cannot be taken back; the file is as it was.
    """
    try:
        with taken_back(path) as copy:
            held = read(copy) if copy.stat().st_size else None
    except FileNotFoundError:
        # Another program has just taken it back.
        return read(path)
    except sqlite3.Error as error:
        msg = f"{path}: a change that was cut off cannot be taken back ({error})"
        raise CompanionError(msg) from error
    with contextlib.suppress(sqlite3.OperationalError):
        _take_back(path)
        if held is None and path.stat().st_size == 0:
            path.unlink()
    return held


@contextlib.contextmanager
def taken_back(path: Path) -> Iterator[Path]:
    """A copy of the file with the change taken back; gone at the end."""
    with tempfile.TemporaryDirectory(prefix="testcar-notes-") as folder:
        copy = Path(folder) / path.name
        for each, to in ((path, copy), (journal_of(path), journal_of(copy))):
            shutil.copyfile(each, to)
        _take_back(copy)
        yield copy


def _take_back(path: Path) -> None:
    with closing(connection_to(path, "rw")) as sql:
        # SQLite puts back at the first look of one who may write.
        sql.execute("PRAGMA schema_version").fetchone()
