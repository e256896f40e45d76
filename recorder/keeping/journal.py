"""The journal: what has been recorded, kept so that a crash or a power cut cannot take it.

SQLite in write-ahead-log mode with ``synchronous=FULL``: a commit is on the disk when it
returns. One connection writes and checkpoints; readers are read-only. Tables::

    meta, meta_copy  (key, value, crc)          format, version, header (JSON), began (JSON)
    batches (id, device, first_record, n, crc, payload)
                                                one row a device and commit, see ``journal_rows``
    marks   (id, mark_id, revision, json, crc)
    events  (id, kind, t_s, json, crc)          gaps are events of kind ``gap``

Ids count 1, 2, 3 … without holes. Every row has a CRC-32 over all its columns, so that a row
torn by a disk that lied about its writes is found, skipped and reported as a gap. Events of
health and stop carry the journal's own counts, and so does a last row of ``meta`` at a clean end.

A commit that fails has kept nothing, and may be tried again as it was: it is then kept once.
After an error of the disk the connection is opened anew, while the old one still holds the
index of the log: the next commit is then written over the one that failed, from its first
byte on. So no page that the system gave up, and calls clean since, is taken for one on the disk.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from calibration.files.durable import sync_folder
from recorder.keeping.errors import JournalError, JournalFullError, NotKeptError
from recorder.keeping.journal_connection import (
    Connect,
    identity,
    is_full,
    is_passing,
    log_bytes,
    move_log,
    open_connection,
    roll_back,
    wants_reopening,
)
from recorder.keeping.journal_rows import FORMAT, VERSION, NewRow, Packed, pack_rows, row_crc
from recorder.keeping.owner import OwnerLock, boot_id
from recorder.machine.private_files import (
    create_private,
    is_ours,
    share,
    squatted,
    write_filler,
)
from recorder.run.parts.gap import Gap
from recorder.run.parts.kept_counts import CLOSED, Counts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from types import TracebackType

    from recorder.marks.mark import Mark
    from recorder.run.parts.block import Block
    from recorder.run.parts.event import Event
    from recorder.run.parts.header import RunHeader

__all__ = ["Journal"]

BALLAST_BYTES: Final = 4 * 2**20
"""Room kept for the end of the run: last blocks, last marks and the log they grow."""
CHECKPOINT_BYTES: Final = 8 * 2**20
"""Log size at which the writer moves it into the database: bounds the log and the stall."""
LARGEST_LOG_BYTES: Final = 16 * CHECKPOINT_BYTES
"""A reader that is never at rest keeps the log from starting anew: then it is waited for."""

_SCHEMA: Final = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE meta_copy (key TEXT PRIMARY KEY, value TEXT NOT NULL, crc INTEGER NOT NULL);
CREATE TABLE batches (id INTEGER PRIMARY KEY, device TEXT NOT NULL,
    first_record INTEGER NOT NULL, n INTEGER NOT NULL, crc INTEGER NOT NULL,
    payload BLOB NOT NULL);
CREATE TABLE marks (id INTEGER PRIMARY KEY, mark_id TEXT NOT NULL, revision INTEGER NOT NULL,
    json TEXT NOT NULL, crc INTEGER NOT NULL, UNIQUE (mark_id, revision));
CREATE TABLE events (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, t_s REAL NOT NULL,
    json TEXT NOT NULL, crc INTEGER NOT NULL);
"""


class Journal:
    """The writing end. One process, one connection; calls may come from any thread."""

    def __init__(
        self, path: Path, header: RunHeader, lock: OwnerLock, connect: Connect
    ) -> None:
        self.path = path
        self.header = header
        self.disk_full = False
        """The disk was full once; the ballast has been given up for the end of the run."""
        self.untidy = ""
        """Why the log could not be moved into the database the last time; empty when it was."""
        self._lock = lock
        self._guard = threading.Lock()
        self._records = {device.name: 0 for device in header.devices}
        self._dtypes = {device.name: device.record_dtype for device in header.devices}
        self._next = {"batches": 1, "marks": 1, "events": 1}
        self._ahead = (0, 0, 0.0)
        self._logged_bytes = 0
        self._connect = connect
        self._connection = connect(path)
        self._identity = identity(path)

    @classmethod
    def create(
        cls,
        path: Path | str,
        header: RunHeader,
        *,
        ballast_bytes: int = BALLAST_BYTES,
        group: int | None = None,
        connect: Connect = open_connection,
    ) -> Self:
        """Begin a journal; it is on the disk, with its directory entry, on return.

        Nobody else can open it or what belongs to it, but for ``group``, which may read.
        ``connect`` opens the connection that writes, and opens it anew after an error.

        Raises
        ------
        FileExistsError
            There is a journal already: it may hold the only copy of a run.
        BlockingIOError
            Another process records there.
        OSError
            The place cannot be written.
        JournalError
            SQLite does not give the durability asked for.
        """
        place = Path(path)
        lock = OwnerLock(place)
        try:
            # Made by us alone: two that start at once cannot share one.
            os.close(create_private(place))
        except OSError as error:
            lock.release()
            if isinstance(error, FileExistsError) and not squatted(place):
                run = place.with_name(place.name.removesuffix(".journal"))
                msg = (
                    "an unfinished journal is there; recover it first: testcar recover"
                    f" {place} --out {run}"
                )
                raise FileExistsError(error.errno, msg, str(place)) from error
            raise
        journal = None
        try:
            journal = cls(place, header, lock, connect)
            journal._begin(ballast_bytes)
            if group is not None:
                journal._share(group)
        except BaseException:
            if journal is None:
                lock.release()
            else:
                journal.close()
            # It holds nothing yet: left behind it would only stand in the way.
            place.unlink()
            raise
        return journal

    def _begin(self, ballast_bytes: int) -> None:
        began = {"pid": os.getpid(), "boot_id": boot_id(), "sqlite": sqlite3.sqlite_version}
        meta = {
            "format": FORMAT,
            "version": str(VERSION),
            "header": self.header.to_json(),
            "began": json.dumps(began),
        }
        try:
            self._connection.executescript(f"BEGIN; {_SCHEMA} COMMIT;")
            self._put_meta(meta)
            write_filler(self._ballast, ballast_bytes)
        except sqlite3.Error as error:
            if is_full(error, self.path):
                raise JournalFullError(28, "disk full", str(self.path)) from error
            msg = f"{self.path}: the journal cannot be begun ({error})"
            raise JournalError(msg) from error
        sync_folder(self.path.parent)

    def _share(self, group: int) -> None:
        """Let a group read: SQLite gives its log the rights of the journal, not its group."""
        for ending in ("", "-wal", "-shm", ".lock"):
            share(self.path.with_name(self.path.name + ending), group)

    @property
    def _ballast(self) -> Path:
        return self.path.with_name(self.path.name + ".ballast")

    def append(self, blocks: Sequence[Block], events: Iterable[Event | Gap] = ()) -> None:
        """Keep blocks and events in one commit; they are on the disk on return.

        Blocks of one device must come in order. When the disk is full the ballast is given up
        and the commit tried once more: if it then succeeds, :attr:`disk_full` is set and the
        recording should stop; what fits no more raises.

        Raises
        ------
        NotKeptError
            Nothing of this commit was kept, everything before it is; :class:`JournalFullError`
            where there is no room. The same commit is to be tried again before another.
        JournalError
            A block of an unknown device or layout, or what no other try would keep.
        """
        told = [e.to_event() if isinstance(e, Gap) else e for e in events]
        for block in blocks:
            if self._dtypes.get(block.device) != block.records.dtype:
                msg = f"{self.path}: a block of {block.device!r} does not fit the run's header"
                raise JournalError(msg)
        packed = pack_rows(blocks)
        with self._guard:
            counts = self._counts(packed, told)
            told = [counts.told_by(event) for event in told]
            self._keep([*self._batch_rows(packed), *self._event_rows(told)])
            for device, n, _ in packed:
                self._records[device] += n
            self._next["batches"] += len(packed)
            self._next["events"] += len(told)
            self._checkpoint_when_due()

    def _batch_rows(self, packed: Sequence[Packed]) -> Iterator[NewRow]:
        at = dict(self._records)
        for i, (device, n, payload) in enumerate(packed, self._next["batches"]):
            first = at[device]
            at[device] += n
            check = row_crc(i, device, first, n, payload)
            yield NewRow("batches", check, (i, device, first, n, check, payload))

    def _event_rows(self, events: list[Event]) -> Iterator[NewRow]:
        for i, event in enumerate(events, self._next["events"]):
            text = json.dumps(event.data, sort_keys=True, ensure_ascii=False)
            t_s = float(event.t_s)
            check = row_crc(i, event.kind, t_s, text)
            yield NewRow("events", check, (i, event.kind, t_s, text, check))

    def _counts(self, packed: Sequence[Packed], told: Sequence[Event]) -> Counts:
        """What is kept once this commit is; of marks no more than at its first try, so that it is
        the same commit when it is tried again."""
        at, come = self._next, [(device, n) for device, n, _ in packed]
        if told and self._ahead[0] != at["events"]:
            self._ahead = (at["events"], at["marks"] - 1, max(float(e.t_s) for e in told))
        run, n = self.header.run_id, len(told)
        return Counts.after(run, at, self._records, come, n, self._ahead)

    def _put_meta(self, meta: Mapping[str, str]) -> None:
        with self._commit() as sql:
            for table in ("meta", "meta_copy"):
                rows = [(key, value, row_crc(key, value)) for key, value in meta.items()]
                sql.executemany(f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?)", rows)

    def _tell_closed(self) -> None:
        """The last row, so that it is known to be the end; one that takes no more has none."""
        self._ahead = (0, self._next["marks"] - 1, self._ahead[2])
        with contextlib.suppress(sqlite3.Error):
            self._put_meta({CLOSED: json.dumps(self._counts((), ()).to_dict(), sort_keys=True)})

    def commit_mark(self, mark: Mark) -> None:
        """Keep one revision of a mark; it is on the disk on return.

        Raises
        ------
        NotKeptError, JournalError
            As :meth:`append`; also when this revision of this mark is there already.
        """
        text = json.dumps(mark.to_dict(), sort_keys=True, ensure_ascii=False)
        with self._guard:
            i = self._next["marks"]
            check = row_crc(i, mark.mark_id, mark.revision, text)
            self._keep([NewRow("marks", check, (i, mark.mark_id, mark.revision, text, check))])
            self._next["marks"] += 1

    def close(self) -> None:
        """Move the log into the database and let go; may be called twice. The file stays."""
        with self._guard:
            try:
                self._tell_closed()
                self._connection.close()
            except sqlite3.Error as error:
                msg = f"{self.path}: the journal did not close cleanly ({error})"
                raise JournalError(msg) from error
            finally:
                self._lock.release()
                self._release_ballast()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextlib.contextmanager
    def _commit(self) -> Iterator[sqlite3.Connection]:
        sql = self._connection
        roll_back(sql)  # where that failed the last time
        sql.execute("BEGIN IMMEDIATE")
        try:
            yield sql
            sql.execute("COMMIT")
        except BaseException:
            # What failed first is told; the next commit begins with this once more.
            with contextlib.suppress(sqlite3.Error):
                roll_back(sql)
            raise

    def _keep(self, rows: Sequence[NewRow]) -> None:
        """All rows in one commit, once, whatever became of the try before; or none."""
        try:
            try:
                self._insert(rows)
            except (sqlite3.Error, MemoryError) as error:
                if self._is_there(rows, after=error):
                    return
                if self.disk_full or not is_full(error, self.path):
                    raise
                self.disk_full = True
                self._release_ballast()
                self._insert(rows)
        except (sqlite3.Error, MemoryError) as error:
            why = " ".join(str(error).split()) or "no memory"
            if not is_passing(error):
                msg = f"{self.path}: the journal refused a commit ({why})"
                raise JournalError(msg) from error
            if is_full(error, self.path):
                raise JournalFullError(28, "disk full", str(self.path)) from error
            raise NotKeptError(5, why, str(self.path)) from error

    def _insert(self, rows: Sequence[NewRow]) -> None:
        with self._commit() as sql:
            for row in rows:
                places = ", ".join("?" * len(row.columns))
                sql.execute(f"INSERT INTO {row.table} VALUES ({places})", row.columns)
        self._logged_bytes += log_bytes(rows)

    def _is_there(self, rows: Sequence[NewRow], *, after: Exception) -> bool:
        """Whether a commit that failed, now or when it was tried before, is on the disk all
        the same; its id and check say so of every row."""
        if wants_reopening(after):
            self._reopen()
        elif not isinstance(after, sqlite3.IntegrityError):
            return False
        try:
            held = [
                self._connection.execute(
                    f"SELECT crc FROM {row.table} WHERE id = ?", (row.columns[0],)
                ).fetchone()
                for row in rows
            ]
        except (sqlite3.Error, MemoryError):
            return False  # not known: if it is there, the next try finds its ids taken
        return bool(rows) and held == [(row.check,) for row in rows]

    def _reopen(self) -> None:
        """Another connection to the same file, before the old one is let go.

        While one of them is open the index of the log stays as it was, and ends where the last
        good commit did. Closed first, the log would be read anew, from memory: the commit that
        failed might be found in it, whole, and not be on the disk.
        """
        try:
            if identity(self.path) != self._identity:
                return  # another file lies there now: ours is open in the old connection alone
            new = self._connect(self.path)
        except (JournalError, OSError):
            return  # the next try fails as this one did, and tells of it
        old, self._connection = self._connection, new
        with contextlib.suppress(sqlite3.Error):
            old.close()

    def _release_ballast(self) -> None:
        # Where it cannot be removed there is no more room than before: the next try tells.
        with contextlib.suppress(OSError):
            if is_ours(self._ballast):
                self._ballast.unlink(missing_ok=True)

    def _checkpoint_when_due(self) -> None:
        if self._logged_bytes < CHECKPOINT_BYTES or self.disk_full:
            return
        try:
            held, moved = move_log(self._connection, longest=LARGEST_LOG_BYTES)
        except (sqlite3.Error, MemoryError) as error:
            # The commits are in the log and stay there; only its size is at stake.
            self.untidy = " ".join(str(error).split()) or "no memory"
            if is_full(error, self.path):
                self.disk_full = True
                self._release_ballast()
        else:
            # All moved: the next commit begins the log anew, though its file stays as long.
            self._logged_bytes = 0 if moved else self._logged_bytes
            self.untidy = "somebody reads it without a pause" if held else ""
