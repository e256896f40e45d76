"""An SQLite file that somebody else may have written: tables and rows, and nothing that works."""

from __future__ import annotations

import os
import re
import sqlite3
import stat
from collections.abc import Collection
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

__all__ = ["beside", "bounded_rows", "check_beside", "check_plain", "opened_plain"]

_PLAIN: Final = re.compile(
    r"CREATE TABLE \w+ \([\w\s,()\ufffd]*\)(\s*STRICT|\s*WITHOUT ROWID)?", re.IGNORECASE
)
"""A name that a flipped bit made no text of is damage, which is told of by whoever reads."""
_WORKS: Final = re.compile(
    r"\b(AS|GENERATED|CHECK|DEFAULT|COLLATE|REFERENCES)\b", re.IGNORECASE
)
"""What makes a column do more than hold a value."""
MOST_PARTS: Final = 100
"""Tables, indices and triggers; ours have a dozen."""
_JOURNAL_MAGIC: Final = bytes.fromhex("d9d505f920a163d7")
"""Where it ends a rollback journal, the name of another file stands before it."""
_MANY: Final = f"it has more than {MOST_PARTS} tables"
_MORE: Final = "its tables hold more than the file"


def opened_plain(path: Path, mode: str, *, largest: int, wait_s: float) -> sqlite3.Connection:
    """Open a file that is there: ``ro`` or ``rw``. Texts stay bytes, what does not read as UTF-8
    must not stop the rows after it; no value has more than ``largest`` bytes.

    Raises
    ------
    sqlite3.Error
        It cannot be opened; where that is not known now, at the first query.
    """
    check_beside(path)
    # By its bytes: a name need not be UTF-8 text.
    name = f"file:{quote(os.fsencode(path.resolve().as_posix()))}?mode={mode}"
    sql = sqlite3.connect(name, uri=True, isolation_level=None, timeout=wait_s)
    try:
        sql.text_factory = bytes
        sql.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, largest)
        # No function is run that the file's own schema names.
        sql.execute("PRAGMA trusted_schema = OFF")
        sql.execute("PRAGMA cell_size_check = ON")
    except BaseException:
        sql.close()
        raise
    return sql


def beside(path: Path) -> list[Path]:
    """What SQLite keeps beside a database and takes for a part of it: its journal, its log and
    the log's index; whether or not they are there."""
    return [path.with_name(path.name + end) for end in ("-journal", "-wal", "-shm")]


def check_beside(path: Path) -> None:
    """See that SQLite may open what lies beside a database: plain files, of which none names
    another. It would wait at a named pipe for ever; and a change of several databases at once, as
    none of ours is, names a file that SQLite removes when it has taken the change back.

    Raises
    ------
    sqlite3.OperationalError
        Something else lies there; nothing was opened.
    """
    for part in beside(path.resolve()):
        try:
            mode = part.lstat().st_mode
        except OSError:
            continue  # nothing is there, or nobody can open it
        if not stat.S_ISREG(mode):
            why = f"{part.name} beside it is no plain file: have it taken away"
        elif part.name.endswith("-journal") and _names_another(part):
            why = (
                f"{part.name} beside it names another file, which would be removed: take it"
                " away, no program of ours made it"
            )
        else:
            continue
        error = sqlite3.OperationalError(why)
        error.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
        raise error


def _names_another(journal: Path) -> bool:
    try:
        with journal.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(size - len(_JOURNAL_MAGIC), 0))
            # A journal begins with the same bytes.
            return size > 2 * len(_JOURNAL_MAGIC) and file.read() == _JOURNAL_MAGIC
    except OSError:
        return False  # then SQLite cannot read it, either


def check_plain(sql: sqlite3.Connection, *, triggers: Collection[str] = ()) -> None:
    """See that a file holds plain tables: no view that loops, no table that is made by a program,
    no trigger but those (in their own words).

    Raises
    ------
    sqlite3.DatabaseError
        It holds another thing, or does not read.
    """
    query = f"SELECT type, name, rootpage, sql FROM sqlite_master LIMIT {MOST_PARTS + 1}"
    parts = sql.execute(query).fetchall()
    if len(parts) > MOST_PARTS:
        raise _corrupt(_MANY)
    for held in parts:
        kind, name, root, made = (_text(value) for value in held)
        plain = (
            root.isdecimal()
            and root != "0"
            and (made == "None" if kind == "index" else kind == "table" and _is_plain(made))
        )
        if not plain and not (kind == "trigger" and made in triggers):
            why = f"{kind:.20} {name!r:.40} is no plain table"
            raise _corrupt(why)


def _is_plain(made: str) -> bool:
    return _PLAIN.fullmatch(made) is not None and _WORKS.search(made) is None


def bounded_rows(sql: sqlite3.Connection, query: str) -> list[tuple[Any, ...]]:
    """All rows of a query over one table, which hold no more than the file itself.

    Raises
    ------
    sqlite3.DatabaseError
        They hold more: its pages are counted over and over, and may be without end.
    """
    ((pages,),) = sql.execute("PRAGMA page_count").fetchall()
    ((page,),) = sql.execute("PRAGMA page_size").fetchall()
    left = pages * page
    rows = []
    for row in sql.execute(query):
        # A row has two bytes at least beside its texts.
        left -= 2 + sum(len(value) for value in row if isinstance(value, bytes | str))
        if left < 0:
            raise _corrupt(_MORE)
        rows.append(row)
    return rows


def _corrupt(why: str) -> sqlite3.DatabaseError:
    error = sqlite3.DatabaseError(why)
    # As SQLite's own word for a file that does not hold together.
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def _text(value: object) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
