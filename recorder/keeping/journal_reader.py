"""Reading a journal: committed rows by id, read-only, and never believing a damaged row."""

from __future__ import annotations

import contextlib
import sqlite3
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

from calibration.files.plain_database import bounded_rows, check_plain, opened_plain
from calibration.quantities.bounded_text import bounded_json
from recorder.keeping.errors import JournalError
from recorder.keeping.journal_rows import Cursor, Damage, Rows, header_from, row_crc
from recorder.keeping.owner import JournalState, journal_state
from recorder.machine.sqlite_errors import SQLITE_PASSING, SQLITE_READ_ERRORS
from recorder.run.parts.kept_counts import CLOSED, Counts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType
    from typing import TypeAlias

    from recorder.run.parts.header import RunHeader

    _TakeRow: TypeAlias = Callable[[tuple[Any, ...]], None]


__all__ = ["JournalReader"]

LARGEST_ROW_BYTES: Final = 512 * 2**20
"""A commit holds what all rings hold at most; a damaged length must not ask for all memory."""
MANY_ROWS: Final = 512
"""Taken in one query; only a bound on what a journal of tiny commits puts in memory."""
CHUNK_BYTES: Final = 4 * 2**20
"""Small enough that what is worked on stays near the processor."""
ORDINARY_HOLE: Final = 1_000
"""Ids tried one by one past a place that does not read, before the rest is given up: a torn
page holds some hundred rows at most, and each try walks the tree anew."""
LOCK_TIMEOUT_S: Final = 5.0
"""In write-ahead mode a reader waits for nobody but whoever is just moving a log away."""


class JournalReader:
    """Reads what has been committed, while it is being written or long after.

    Every look is one short transaction, so that the writer can always tidy its log.
    """

    def __init__(self, path: Path | str) -> None:
        """Open a journal.

        Raises
        ------
        FileNotFoundError
        JournalError
            Not a journal, of a newer version, damaged where its header stands, or not to be opened.
        """
        self.path = Path(path)
        if not self.path.is_file():
            msg = "no such journal"
            raise FileNotFoundError(2, msg, str(self.path))
        self._beside = [self.path.with_name(self.path.name + end) for end in ("-shm", "-wal")]
        self._was_alone = not any(path.exists() for path in self._beside)
        self._connection = _connect(self.path)
        self._header_damage: list[Damage] = []
        self._closed: Counts | None = None
        try:
            self.header = self._read_header()
        except BaseException:
            self.close()
            raise
        self._dtypes = {d.name: d.record_dtype for d in self.header.devices}
        self._row_bytes = 256 * 2**10

    def _read_header(self) -> RunHeader:
        for table in ("meta", "meta_copy"):
            try:
                return self._header_of(table)
            except (
                *SQLITE_READ_ERRORS,
                ValueError,
                KeyError,
                TypeError,
                AttributeError,
            ) as error:
                if isinstance(error, JournalError):
                    raise
                if isinstance(error, sqlite3.Error) and not _is_torn(error):
                    raise _not_now(self.path, error) from error
                why = (" ".join(str(error).split()) or type(error).__name__)[:200]
                self._header_damage.append(Damage(table=table, row=0, last_row=0, why=why))
        why = self._header_damage[0].why
        msg = f"{self.path}: not a journal, or its header is damaged ({why})"
        raise JournalError(msg)

    def _header_of(self, table: str) -> RunHeader:
        check_plain(self._connection)
        rows = bounded_rows(self._connection, f"SELECT key, value, crc FROM {table}")
        meta = {}
        for key, value, check in rows:
            name, text = bytes(key).decode(), bytes(value).decode()
            if check != row_crc(name, text):
                msg = f"{table} row {name!r} fails its check"
                raise ValueError(msg)
            meta[name] = text
        if CLOSED in meta:
            self._closed = Counts.of(bounded_json(meta[CLOSED]))
        return header_from(meta, self.path)

    def holds_all(self, cursor: Cursor) -> bool:
        """Whether a journal that was closed gave all the rows that it counted then."""
        counted = self._closed.rows if self._closed else {}
        return all(getattr(cursor, table) >= n for table, n in counted.items())

    def read_new(self, cursor: Cursor, *, chunk_bytes: int = CHUNK_BYTES) -> Rows:
        """Rows after the cursor, of one moment; moves the cursor on.

        Batches stop at about ``chunk_bytes``: call again until the result is empty.

        Raises
        ------
        JournalError
            The journal cannot be read at all any more.
        """
        rows = Rows()
        if not cursor.header_checked:
            rows.damage.extend(self._header_damage)
            cursor.header_checked = True
        with self._one_moment():
            # Events and batches of one moment: a gap is known before its records are used.
            self._table("events", cursor, rows, rows.take_event)
            self._table("marks", cursor, rows, rows.take_mark)
            self._batches(cursor, rows, chunk_bytes)
        return rows

    @contextlib.contextmanager
    def _one_moment(self) -> Iterator[None]:
        """A short transaction; an error of the database that is no loss of rows is raised."""
        sql = self._connection
        try:
            sql.execute("BEGIN")
            try:
                yield
            finally:
                if sql.in_transaction:
                    sql.execute("ROLLBACK")
        except SQLITE_READ_ERRORS as error:
            msg = f"{self.path}: the journal cannot be read ({error})"
            raise JournalError(msg) from error

    def last_batch(self) -> int | None:
        """Highest row of the batches (for a progress line); None where it cannot be read."""
        with self._one_moment():
            return self._highest("batches")[0]

    def close(self) -> None:
        """Let go, leaving nothing behind; may be called twice."""
        self._connection.close()
        # SQLite leaves these where a reader was the first to open a closed journal.
        written = journal_state(self.path) is JournalState.RECORDING
        if self._was_alone and not written:
            self._was_alone = False
            if not self._beside[1].exists() or self._beside[1].stat().st_size == 0:
                for path in self._beside:
                    path.unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # ------------------------------------------------------------------ tables

    def _table(self, table: str, cursor: Cursor, rows: Rows, take: _TakeRow) -> None:
        while True:
            found, bad = self._rows(table, cursor, MANY_ROWS)
            rows.damage.extend(bad)
            for row in found:
                take(row)
            if not found and not bad:
                return

    def _batches(self, cursor: Cursor, rows: Rows, chunk_bytes: int) -> None:
        taken = 0
        while taken < chunk_bytes:
            # As many rows at once as should fill the chunk, going by the last ones.
            limit = min(max((chunk_bytes - taken) // self._row_bytes, 1), MANY_ROWS)
            found, bad = self._rows("batches", cursor, limit)
            rows.damage.extend(bad)
            size = 0
            for row in found:
                size += len(row[-1]) if isinstance(row[-1], bytes) else 0
                rows.take_batch(row, self._dtypes)
            if not found and not bad:
                break
            self._row_bytes = max(size // max(len(found), 1), 1)
            taken += size

    def _rows(
        self, table: str, cursor: Cursor, limit: int
    ) -> tuple[list[tuple[Any, ...]], list[Damage]]:
        """Next rows, and what lies between and does not read; moves the cursor on."""
        if table in cursor.given_up:
            return [], []
        after: int = getattr(cursor, table)
        # The limit holds where a torn tree gives the same page over and over.
        query = f"SELECT * FROM {table} WHERE id > ? AND id <= ? ORDER BY id LIMIT ?"
        found, torn = self._ask(query, after, after + limit, limit)
        found = _rising(found, after)
        bad: list[Damage] = []
        if found:
            bad = _holes(table, after, found)
        else:
            # Nothing, or nothing that reads: is there more further on?
            last, unread = self._highest(table)
            torn = torn or unread
            if last is None or last > after:
                found, bad = self._one_by_one(table, cursor, last, torn)
        if found:
            setattr(cursor, table, int(found[-1][0]))
        return found, bad

    def _one_by_one(
        self, table: str, cursor: Cursor, last: int | None, torn: str
    ) -> tuple[list[tuple[Any, ...]], list[Damage]]:
        """The next row that reads, or the loss of all there is; ``torn`` is the cause."""
        after: int = getattr(cursor, table)
        stop = after + ORDINARY_HOLE if last is None else min(last, after + ORDINARY_HOLE)
        for row in range(after + 1, stop + 1):
            found, error = self._ask(f"SELECT * FROM {table} WHERE id = ?", row)
            torn = torn or error
            found = _rising(found, after)
            if found and row == after + 1:
                return found, []
            if found:
                return found, [_loss(table, after + 1, row - 1, torn)]
        if last is None:
            cursor.given_up.add(table)
            return [], [_loss(table, after + 1, None, torn)]
        setattr(cursor, table, last)
        return [], [_loss(table, after + 1, last, torn)]

    def _highest(self, table: str) -> tuple[int | None, str]:
        """The last id of a table, None when that does not read, and what is wrong with it."""
        found, torn = self._ask(f"SELECT max(id) FROM {table}")
        if torn:
            return None, torn
        value = found[0][0]
        return (value if isinstance(value, int) else 0), ""

    def _ask(self, query: str, *values: int) -> tuple[list[tuple[Any, ...]], str]:
        """Rows of a query; none, and the cause, where the database is torn."""
        try:
            return self._connection.execute(query, values).fetchall(), ""
        except SQLITE_READ_ERRORS as error:
            if isinstance(error, sqlite3.Error) and not _is_torn(error):
                raise
            return [], " ".join(str(error).split())


def _connect(path: Path) -> sqlite3.Connection:
    try:
        return opened_plain(path, "ro", largest=LARGEST_ROW_BYTES, wait_s=LOCK_TIMEOUT_S)
    except sqlite3.Error as error:
        raise _not_now(path, error) from error


def _not_now(path: Path, error: sqlite3.Error) -> JournalError:
    return JournalError(f"{path}: the journal cannot be read now ({error})")


def _is_torn(error: sqlite3.Error) -> bool:
    """Whether what does not read is the journal itself: damaged pages, a failing disk."""
    code = getattr(error, "sqlite_errorcode", None)
    # Without a code it is a misuse of the module, a bug of ours: not the journal's fault.
    return code is not None and code & 0xFF not in SQLITE_PASSING


def _loss(table: str, row: int, last_row: int | None, torn: str) -> Damage:
    missing = "is missing" if row == last_row else "are missing"
    why = f"cannot be read ({torn})" if torn else missing
    return Damage(table=table, row=row, last_row=last_row, why=why)


def _rising(found: list[tuple[Any, ...]], after: int) -> list[tuple[Any, ...]]:
    """The rows whose ids rise beyond ``after``; a torn page may give any others, for ever."""
    rows = []
    for row in found:
        if isinstance(row[0], int) and row[0] > after:
            rows.append(row)
            after = row[0]
    return rows


def _holes(table: str, after: int, found: list[tuple[Any, ...]]) -> list[Damage]:
    """Ids that are not among the rows found after ``after``: rows without a hole were written."""
    ids = [after, *(int(row[0]) for row in found)]
    return [_loss(table, a + 1, b - 1, "") for a, b in pairwise(ids) if b > a + 1]
