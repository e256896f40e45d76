"""Reading a journal: committed rows by id, read-only, and never believing a damaged row."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self
from urllib.parse import quote

from recorder.keeping import batch_rows
from recorder.keeping.errors import JournalError
from recorder.keeping.owner import JournalState, journal_state
from recorder.machine.sqlite_errors import SQLITE_READ_ERRORS
from recorder.marks.mark import Mark
from recorder.run.block import blocks_of
from recorder.run.errors import RunFileError
from recorder.run.event import Event
from recorder.run.header import RunHeader
from recorder.run_file.hdf5.layout import check_names

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import TracebackType

    import numpy as np
    from numpy.typing import NDArray

    from recorder.run.block import Block

__all__ = ["Cursor", "Damage", "JournalReader", "Rows"]

FORMAT: Final = "testcar-journal"
NEWEST_VERSION: Final = 1
LARGEST_ROW_BYTES: Final = 512 * 2**20
MANY_ROWS: Final = 512
PIECE_BYTES: Final = 4 * 2**20
"""Small enough that what is worked on stays near the processor."""
ORDINARY_HOLE: Final = 1_000
"""Ids tried one by one past a place that does not read, before the rest is given up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """One row that is there but cannot be believed."""

    table: str
    row: int
    why: str
    device: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBlocks:
    """The blocks of one device of one commit."""

    row: int
    device: str
    first_record: int
    """Index of the first record in all records of the device."""
    heads: NDArray[np.void]
    """(b,) of ``HEAD_DTYPE``, one a block."""
    records: NDArray[np.void]
    """(n,) of all blocks on end."""

    @property
    def blocks(self) -> list[Block]:
        """One by one."""
        return blocks_of(self.device, self.heads, self.records)


@dataclass(slots=True)
class Cursor:
    """The last row seen of each table."""

    batches: int = 0
    marks: int = 0
    events: int = 0


@dataclass(slots=True)
class Rows:
    """What one look brought: all of one moment, at most a piece at a time."""

    batches: list[StoredBlocks] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    damage: list[Damage] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.batches or self.marks or self.events or self.damage)


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
            Not a journal, of a newer version, or damaged where its header stands.
        """
        self.path = Path(path)
        if not self.path.is_file():
            msg = "no such journal"
            raise FileNotFoundError(2, msg, str(self.path))
        self._beside = [self.path.with_name(self.path.name + end) for end in ("-shm", "-wal")]
        self._was_alone = not any(path.exists() for path in self._beside)
        self._connection = _connect(self.path)
        try:
            self.header = self._read_header()
        except BaseException:
            self.close()
            raise
        self._dtypes = {d.name: d.record_dtype for d in self.header.devices}
        self._row_bytes = 256 * 2**10
        self._given_up: set[str] = set()

    def _read_header(self) -> RunHeader:
        problems = []
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
                problems.append(" ".join(str(error).split()) or type(error).__name__)
        msg = f"{self.path}: not a journal, or its header is damaged ({problems[0][:200]})"
        raise JournalError(msg)

    def _header_of(self, table: str) -> RunHeader:
        rows = self._connection.execute(f"SELECT key, value, crc FROM {table}")
        meta = {}
        for key, value, check in rows.fetchall():
            name, text = bytes(key).decode(), bytes(value).decode()
            if check != batch_rows.crc(name, text):
                msg = f"{table} row {name!r} fails its check"
                raise ValueError(msg)
            meta[name] = text
        if meta["format"] != FORMAT:
            msg = f"format {meta['format']!r}"
            raise ValueError(msg)
        if int(meta["version"]) > NEWEST_VERSION:
            msg = (
                f"{self.path}: journal version {meta['version']} is newer than this program"
                f" reads ({NEWEST_VERSION}): use a newer one"
            )
            raise JournalError(msg)
        header = RunHeader.from_json(meta["header"])
        try:
            check_names(header)
        except RunFileError as error:
            msg = f"{self.path}: {error}"
            raise JournalError(msg) from error
        return header

    def read_new(self, cursor: Cursor, *, piece_bytes: int = PIECE_BYTES) -> Rows:
        """Rows after the cursor, of one moment; moves the cursor on.

        Batches stop at about ``piece_bytes``: call again until the result is empty.

        Raises
        ------
        JournalError
            The journal cannot be read at all any more.
        """
        rows = Rows()
        sql = self._connection
        try:
            sql.execute("BEGIN")
            try:
                # Events and batches of one moment: a gap is known before its records are used.
                cursor.events = self._table("events", cursor.events, rows, self._event)
                cursor.marks = self._table("marks", cursor.marks, rows, self._mark)
                cursor.batches = self._batches(cursor.batches, rows, piece_bytes)
            finally:
                if sql.in_transaction:
                    sql.execute("ROLLBACK")
        except SQLITE_READ_ERRORS as error:
            msg = f"{self.path}: the journal cannot be read ({error})"
            raise JournalError(msg) from error
        return rows

    def pieces(self, *, piece_bytes: int = PIECE_BYTES) -> Iterator[Rows]:
        """Everything committed, from the first row, piece by piece."""
        cursor = Cursor()
        while rows := self.read_new(cursor, piece_bytes=piece_bytes):
            yield rows

    def count(self) -> dict[str, int]:
        """Highest row of each table, as far as it can be told (for a progress line)."""
        return {t: self._highest(t) or 0 for t in ("batches", "marks", "events")}

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

    def _table(self, table: str, after: int, rows: Rows, take: Any) -> int:  # noqa: ANN401
        while True:
            found, after, bad = self._rows(table, after, MANY_ROWS)
            rows.damage.extend(bad)
            for row in found:
                take(row, rows)
            if not found and not bad:
                return after

    def _batches(self, after: int, rows: Rows, piece_bytes: int) -> int:
        taken = 0
        while taken < piece_bytes:
            # As many rows at once as should fill the piece, going by the last ones.
            limit = min(max((piece_bytes - taken) // self._row_bytes, 1), MANY_ROWS)
            found, after, bad = self._rows("batches", after, limit)
            rows.damage.extend(bad)
            size = 0
            for row in found:
                size += len(row[-1]) if isinstance(row[-1], bytes) else 0
                self._batch(row, rows)
            if not found and not bad:
                break
            self._row_bytes = max(size // max(len(found), 1), 1)
            taken += size
        return after

    def _rows(
        self, table: str, after: int, limit: int
    ) -> tuple[list[tuple[Any, ...]], int, list[Damage]]:
        """Next rows, the last id seen, and what lies between and does not read."""
        query = f"SELECT * FROM {table} WHERE id > ? AND id <= ? ORDER BY id"
        try:
            found = self._connection.execute(query, (after, after + limit)).fetchall()
        except SQLITE_READ_ERRORS:
            found = []  # not all of them read: row by row below, and the loss is told there
        if found := _rising(found, after):
            bad = _holes(table, after, found)
            return found, int(found[-1][0]), bad
        # Nothing, or nothing that reads: is there more further on?
        last = self._highest(table)
        if last is None:
            return [], after, self._give_up(table, after)
        if last <= after:
            return [], after, []
        return self._one_by_one(table, after, last)

    def _one_by_one(
        self, table: str, after: int, last: int
    ) -> tuple[list[tuple[Any, ...]], int, list[Damage]]:
        query = f"SELECT * FROM {table} WHERE id = ?"
        stop = min(last, after + ORDINARY_HOLE)
        for row in range(after + 1, stop + 1):
            try:
                found = self._connection.execute(query, (row,)).fetchall()
            except SQLITE_READ_ERRORS:
                continue  # the hole this leaves is told with the next row that reads
            if found := _rising(found, after):
                return found, row, _holes(table, after, found)
        why = "the database is torn here"
        if stop < last:
            why += f"; rows up to {last} were given up"
        return [], last, [Damage(table=table, row=after + 1, why=why)]

    def _highest(self, table: str) -> int | None:
        """The highest id, 0 of an empty table; None when that cannot be read."""
        try:
            value = self._connection.execute(f"SELECT max(id) FROM {table}").fetchone()[0]
        except SQLITE_READ_ERRORS:
            return None
        return int(value) if isinstance(value, int) else 0

    def _give_up(self, table: str, after: int) -> list[Damage]:
        """Once a table: how much lies beyond cannot even be counted."""
        if table in self._given_up:
            return []
        self._given_up.add(table)
        return [Damage(table=table, row=after + 1, why="the table does not read from here on")]

    # ------------------------------------------------------------------ rows

    def _batch(self, row: tuple[Any, ...], rows: Rows) -> None:
        i, device, first, n, check, payload = row
        name = _text(device)
        why = "fails its check"
        if (
            isinstance(payload, bytes)
            and isinstance(first, int)
            and check == batch_rows.crc(i, name, first, n, payload)
            and name in self._dtypes
        ):
            try:
                heads, records = batch_rows.unpack(self._dtypes[name], payload)
            except ValueError as error:
                why = str(error)
            else:
                batch = StoredBlocks(
                    row=i, device=name, first_record=first, heads=heads, records=records
                )
                rows.batches.append(batch)
                return
        rows.damage.append(Damage(table="batches", row=i, why=why, device=name))

    def _mark(self, row: tuple[Any, ...], rows: Rows) -> None:
        i, mark_id, revision, data, check = row
        text = _text(data)
        if check == batch_rows.crc(i, _text(mark_id), revision, text):
            try:
                rows.marks.append(Mark.from_dict(json.loads(text)))
            except (ValueError, TypeError, AttributeError) as error:
                rows.damage.append(Damage(table="marks", row=i, why=str(error)))
        else:
            rows.damage.append(Damage(table="marks", row=i, why="fails its check"))

    def _event(self, row: tuple[Any, ...], rows: Rows) -> None:
        i, kind, t_s, data, check = row
        text = _text(data)
        if check == batch_rows.crc(i, _text(kind), t_s, text):
            try:
                content = json.loads(text)
                rows.events.append(Event(kind=_text(kind), t_s=float(t_s), data=dict(content)))
            except (ValueError, TypeError) as error:
                rows.damage.append(Damage(table="events", row=i, why=str(error)))
        else:
            rows.damage.append(Damage(table="events", row=i, why="fails its check"))


def _connect(path: Path) -> sqlite3.Connection:
    place = f"file:{quote(path.resolve().as_posix())}?mode=ro"
    connection = sqlite3.connect(place, uri=True, isolation_level=None, timeout=5.0)
    # A text that is not UTF-8 any more must not stop the rows after it.
    connection.text_factory = bytes
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_ROW_BYTES)
    return connection


def _text(value: object) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _rising(found: list[tuple[Any, ...]], after: int) -> list[tuple[Any, ...]]:
    """The rows whose ids rise beyond ``after``; a torn page may give any others, for ever."""
    rows = []
    for row in found:
        if isinstance(row[0], int) and row[0] > after:
            rows.append(row)
            after = row[0]
    return rows


def _holes(table: str, after: int, found: list[tuple[Any, ...]]) -> list[Damage]:
    present = {row[0] for row in found}
    missing = [i for i in range(after + 1, int(found[-1][0])) if i not in present]
    return [Damage(table=table, row=i, why="is missing") for i in missing[:ORDINARY_HOLE]]
