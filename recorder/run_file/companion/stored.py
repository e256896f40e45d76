"""How entries lie in the SQLite file of a companion: version 2, and version 1 as it was."""

from __future__ import annotations

import sqlite3
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from calibration.files.plain_database import bounded_rows, check_plain, opened_plain
from recorder.machine.sqlite_errors import SQLITE_PASSING, SQLITE_READ_ERRORS
from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.entries import (
    FORMAT,
    VERSION,
    Binding,
    Entry,
    MetaKey,
    chained,
    damage_of,
    entry_of,
    meta_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = [
    "COLUMNS",
    "Held",
    "Whose",
    "changed_tables",
    "connection_to",
    "database_of",
    "put_entries",
    "read_held",
    "read_meta",
    "run_of",
    "version_1_entries",
]

LARGEST_ENTRY_BYTES: Final = 64 * 2**20
BUSY_S: Final = 10.0
"""How long another program may hold the file."""
PAGE_BYTES: Final = 4096
LONGEST_VERSION: Final = 10
"""Letters of its number."""
COLUMNS: Final = "rowid, kind, name, revision, json, utc_ns, by, version, before, sha256"
"""An entry's number is its row's own, whatever became of the words that call it ``id``."""
_SCHEMA: Final = (
    "CREATE TABLE meta (key TEXT NOT NULL, value TEXT NOT NULL)",
    "CREATE TABLE entries (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, name TEXT NOT NULL,"
    " revision INTEGER NOT NULL, json TEXT NOT NULL, utc_ns INTEGER NOT NULL, by TEXT NOT NULL,"
    " version TEXT NOT NULL, before TEXT NOT NULL, sha256 TEXT NOT NULL)",
)
_VERSION_1: Final = (
    "SELECT id, 'revision', mark_id, revision, json, utc_ns, by, version, '', ''"
    " FROM revisions ORDER BY id",
    "SELECT id, 'result', name, 0, json, utc_ns, by, version, '', '' FROM results ORDER BY id",
)


@dataclass(frozen=True, slots=True)
class Held:
    """All that a file holds, every entry as it was kept."""

    entries: tuple[Entry, ...] = ()
    version: int = VERSION
    carried: int = 0
    """How many of the first entries had no check at first."""


@dataclass(frozen=True, slots=True)
class Whose:
    """The file by its own name, and the run it must be of."""

    path: Path
    run_id: str
    digest: str | None
    """None: of a run that is not sealed; then any of its digests will do."""

    def damaged(self, why: str) -> CompanionError:
        """The refusal of a file that does not hold what was kept, with what to do."""
        msg = (
            f"{self.path}: damaged ({' '.join(why.split())}): nothing in it is believed; put back"
            f" a copy of it, or see what is sound: testcar notes {run_of(self.path)}"
        )
        return CompanionError(msg)


def run_of(path: Path) -> Path:
    """The run file beside which a companion lies."""
    return path.with_name(path.name.removesuffix(".notes"))


def connection_to(place: Path, mode: str) -> sqlite3.Connection:
    """Open a file that is there: ``ro`` or ``rw``; raises ``sqlite3.Error``, if not now, later."""
    return opened_plain(place, mode, largest=LARGEST_ENTRY_BYTES, wait_s=BUSY_S)


def read_held(sql: sqlite3.Connection, whose: Whose) -> Held:
    """All that is in a file, of one moment, every check held.

    Raises
    ------
    CompanionError
        It is damaged, no companion, or another run's.
    sqlite3.Error
        It cannot be read now.
    """
    try:
        with _one_moment(sql):
            return _read(sql, whose)
    except SQLITE_READ_ERRORS as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in SQLITE_PASSING:
            raise
        if whose.path.stat().st_size == 0:
            msg = (
                f"{whose.path}: empty (0 bytes): put back a copy of it; remove it only if nothing"
                " was ever added to the run"
            )
            raise CompanionError(msg) from error
        raise whose.damaged(str(error)) from error


@contextmanager
def _one_moment(sql: sqlite3.Connection) -> Iterator[None]:
    """Within a transaction: the one there is, or one of its own."""
    own = not sql.in_transaction
    if own:
        sql.execute("BEGIN")
    try:
        yield
    finally:
        if own and sql.in_transaction:
            sql.execute("ROLLBACK")


def _read(sql: sqlite3.Connection, whose: Whose) -> Held:
    meta = read_meta(sql)
    version = meta.get(MetaKey.VERSION, "")
    if meta.get(MetaKey.FORMAT) != FORMAT:
        msg = f"{whose.path}: not a companion of a run file, or damaged where it says so"
        raise CompanionError(msg)
    told = version.isascii() and version.isdecimal() and len(version) < LONGEST_VERSION
    if not told or int(version) > VERSION:
        msg = (
            f"{whose.path}: companion version {version!r:.{LONGEST_VERSION}}; this program reads up"
            f" to {VERSION}: use a newer one"
        )
        raise CompanionError(msg)
    if (run_id := meta.get(MetaKey.RUN)) != whose.run_id:
        msg = (
            f"{whose.path}: belongs to run {run_id!r}, not to {whose.run_id!r}; put it back beside"
            " its own run, and the notes of this one here"
        )
        raise CompanionError(msg)
    if int(version) < VERSION:
        entries = tuple(version_1_entries(sql))
        return Held(entries, version=int(version), carried=len(entries))
    return _checked(sql, meta, whose)


def _checked(sql: sqlite3.Connection, meta: dict[str, str], whose: Whose) -> Held:
    digest = meta.get(MetaKey.DIGEST, "")
    if whose.digest is not None and digest != whose.digest:
        msg = (
            f"{whose.path}: was added to another file of this run ({digest[:19]}…), not to this"
            f" one ({whose.digest[:19]}…): was it recovered again? Look at both:"
            f" testcar notes {run_of(whose.path)}"
        )
        raise CompanionError(msg)
    if changed := changed_tables(sql):
        raise whose.damaged(changed)
    rows = bounded_rows(sql, f"SELECT {COLUMNS} FROM entries ORDER BY rowid")
    entries = tuple(map(entry_of, rows))
    if found := damage_of(entries, meta, Binding(whose.run_id, digest)):
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        raise whose.damaged(found[0] + more)
    return Held(entries, carried=int(meta[MetaKey.CARRIED]))


def read_meta(sql: sqlite3.Connection) -> dict[str, str]:
    """What is kept of the whole file; raises ``sqlite3.Error``."""
    check_plain(sql)
    rows = bounded_rows(sql, "SELECT key, value FROM meta")
    return {_word(key): _word(value) for key, value in rows}


def changed_tables(sql: sqlite3.Connection) -> str:
    """Which tables are no more what they were made as; empty where all are.

    Raises ``sqlite3.Error``.
    """
    made = {_word(text) for (text,) in bounded_rows(sql, "SELECT sql FROM sqlite_master")}
    changed = [table.split()[2] for table in _SCHEMA if table not in made]
    return f"the description of table {' and '.join(changed)} has changed" if changed else ""


def version_1_entries(sql: sqlite3.Connection) -> list[Entry]:
    """Of a file of version 1, which had no checks; raises ``sqlite3.Error``."""
    return [entry_of(row) for query in _VERSION_1 for row in bounded_rows(sql, query)]


def _word(value: Any) -> str:  # noqa: ANN401 - a damaged file gives anything
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def put_entries(
    sql: sqlite3.Connection,
    entries: Sequence[Entry],
    binding: Binding,
    *,
    kept: int | None,
    carried: int,
) -> None:
    """Bring a file up to these entries within a transaction.

    ``kept`` of the first are there already; None: it is empty or of version 1, whose tables go.
    """
    if kept is None:
        for table in ("meta", "revisions", "results"):
            sql.execute(f"DROP TABLE IF EXISTS {table}")
        for table in _SCHEMA:
            sql.execute(table)
    sql.executemany(
        f"INSERT INTO entries ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [entry.row for entry in entries[kept or 0 :]],
    )
    sql.execute("DELETE FROM meta")
    meta = meta_of(entries, binding, carried=carried)
    sql.executemany("INSERT INTO meta VALUES (?, ?)", list(meta.items()))


def database_of(entries: Sequence[Entry], binding: Binding, *, carried: int) -> bytes:
    """A whole file with these entries, their checks made anew."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as sql:
        sql.execute(f"PRAGMA page_size={PAGE_BYTES}")
        sql.execute("BEGIN")
        put_entries(sql, chained(entries, binding), binding, kept=None, carried=carried)
        sql.execute("COMMIT")
        return sql.serialize()
