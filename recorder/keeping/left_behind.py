"""A journal that was left behind: every row that proves itself, and what is missing.

SQLite ends a log at the first frame that does not agree, and a tree at the first page that does
not read, often without a word. So a journal that nobody writes any more is walked page by page
(``recorder.salvage``), rows are believed by their own check alone, and they are held against
each other (numbers rise by one) and against the counts that the journal itself keeps.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np

from calibration.quantities.bounded_text import bounded_json
from recorder.keeping.errors import JournalError
from recorder.keeping.journal_reader import CHUNK_BYTES
from recorder.keeping.journal_rows import (
    Cursor,
    Damage,
    Rows,
    Shortfall,
    header_from,
    row_proof,
)
from recorder.run.parts.event import EventKind
from recorder.run.parts.kept_counts import (
    CLOSED,
    COUNTED,
    MOST_RECORDS,
    Counts,
    counts_of_status,
)
from recorder.salvage.images import Images, page_sizes
from recorder.salvage.tails import lost_frames, tail_of
from recorder.salvage.walk import Walk

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from recorder.marks.mark import Mark
    from recorder.run.parts.event import Event
    from recorder.salvage.cells import Columns

__all__ = ["LeftBehind"]

ROOTS: Final = {"batches": 6, "marks": 7, "events": 9}
"""Where each table's tree begins: the journal makes its tables in one order, always."""
USUAL_PAGE_BYTES: Final = 16_384
LOG: Final = "log"
"""What a loss is of where nobody can say which rows there were."""
SILENT_S: Final = 1.5
"""From the last record to the stop, without a gap that tells of it: then records are missing."""
LAST: Final = "what was kept last of all, and not elsewhere yet, was in it"
FILED: Final = "in the unfinished run file, and not in the journal"
LOOKED_AT: Final = 200
"""Events of the log among which its run's name is looked for."""
NAMED: Final = 3
"""Damaged places of a kind named in words; of more the number is told."""
_NO_ROWS: Final = np.zeros(0, np.int64)


class LeftBehind:
    """Reads a journal that nobody writes to; used as a :class:`JournalReader` is."""

    def __init__(self, path: Path | str) -> None:
        """Walk through a journal and its log.

        Raises
        ------
        FileNotFoundError
        JournalError
            No header of a journal is found anywhere in it, or it is of a newer version.
        """
        self.path = Path(path)
        if not self.path.is_file():
            msg = "no such journal"
            raise FileNotFoundError(2, msg, str(self.path))
        self._images = Images(self.path, self._page_bytes())
        try:
            self._walk_through()
        except BaseException:
            self._images.close()
            raise
        self._dtypes = {d.name: d.record_dtype for d in self.header.devices}
        self._marks, self._events = Rows(), Rows()
        self._read_all("marks", self._marks)
        self._read_all("events", self._events)
        self._find_ends(self._own_counts(), {})

    def hold_against(self, filed: Counts) -> None:
        """Hold it against the run file that was being filled from it, too.

        What is in there had been committed: a log that lost its end whole shows it nowhere else.
        """
        own, none = self._own_counts(), (0, 0.0)
        records = {
            device: max(own.records.get(device, none), filed.records.get(device, none))
            for device in {*own.records, *filed.records}
        }
        self._find_ends(Counts(own.rows, records), filed.rows)

    def _page_bytes(self) -> int:
        """The size of pages at which most rows prove themselves, where heads tell several."""
        sizes = page_sizes(self.path, USUAL_PAGE_BYTES)
        return sizes[0] if len(sizes) == 1 else max(sizes, key=self._proven_at)

    def _proven_at(self, size: int) -> tuple[int, int]:
        with Images(self.path, size) as self._images:
            self._walk_all()
        return sum(map(len, self._numbers.values())), -len(self._walk.suspects)

    def _walk_through(self) -> None:
        self._foreign = ""
        self._walk_all()
        base, log = self._meta(Walk.BASE), self._meta(Walk.SOUND)
        if self._log_is_foreign(base, log):
            self._foreign = "is of another recording and was left out"
            self._images.use_no_log()
            self._walk_all()
            log = {}
        meta = {**self._meta(Walk.STRAY), **self._meta(Walk.LATER), **log, **base}
        try:
            self.header = header_from(meta, self.path)
        except JournalError:
            raise
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            msg = (
                f"{self.path}: not a journal, or so damaged that the run's header is nowhere"
                " in it; keep it, and the unfinished run file beside it: testcar export reads"
                " what that one holds"
            )
            raise JournalError(msg) from error
        self._closed = Counts.of(_parsed(meta.get(CLOSED, "")))

    def _walk_all(self) -> None:
        self._have: dict[str, int] = {}
        self._walk = Walk(self._images, self._prove)
        self._numbers = dict.fromkeys(ROOTS, _NO_ROWS)
        self._places = dict.fromkeys(ROOTS, _NO_ROWS)
        for table in ROOTS:
            if table in self._walk.tables:
                self._numbers[table], self._places[table] = self._walk.believed(table)

    def _prove(self, row: int, columns: Columns) -> tuple[str, int] | None:
        proof = row_proof(row, columns)
        match columns:
            case (None, bytes() as name, int() as first, int() as n, _, _) if (
                proof and 0 <= first < MOST_RECORDS
            ):
                device = name.decode("utf-8", "replace")
                self._have[device] = max(self._have.get(device, 0), first + n)
        return proof

    def _meta(self, rank: int) -> dict[str, str]:
        """The rows of both copies of the header, of one rank."""
        held = self._walk.tables.get("meta")
        meta: dict[str, str] = {}
        for place, of in zip(held.places, held.ranks, strict=True) if held else ():
            match self._walk.columns(place) if of == rank else None:
                case (bytes() as key, bytes() as value, _):
                    meta[key.decode("utf-8", "replace")] = value.decode("utf-8", "replace")
        return meta

    def _log_is_foreign(self, base: dict[str, str], log: dict[str, str]) -> bool:
        """Whether SQLite would have mixed the log of another run into this one."""
        run = _run_id(base)
        if not run:
            return False
        if _run_id(log) not in ("", run):
            return True
        held = [self._walk.tables[t] for t in ROOTS if t in self._walk.tables]
        if any(rows.in_conflict(Walk.SOUND, Walk.BASE) for rows in held):
            return True
        for place in self._places["events"][: -LOOKED_AT - 1 : -1].tolist():
            columns = self._walk.columns(place) if place < 0 else None
            counts = Counts.of(_counted(columns[3])) if columns else None
            if counts is not None:
                return counts.run not in ("", run)
        return False

    # ------------------------------------------------------------------ what is missing

    def _own_counts(self) -> Counts:
        counted = self._closed or self._events.counts
        return counted or counts_of_status(self._events.events)

    def _find_ends(self, counted: Counts, filed: Mapping[str, int]) -> None:
        """What should have come after the last row of each table, and why it did not; of some
        rows of a table it is known that they are ``filed``."""
        self._short: list[Shortfall] = []
        self._lost: dict[str, list[Damage]] = {table: [] for table in (*ROOTS, LOG)}
        for table, root in ROOTS.items():
            numbers = self._numbers[table]
            top = int(numbers[-1]) if len(numbers) else 0
            place = self._walk.page_of(int(self._places[table][-1])) if top else 0
            tail = tail_of(self._walk, table, root, top, place)
            held = max(top, filed.get(table, 0))
            last = max(tail.top if not self._closed else top, counted.rows[table], held)
            if held > top:
                self._lost[table].append(self._loss(table, top + 1, held, gone=FILED))
            if last > held:
                self._lost[table].append(self._loss(table, held + 1, last))
            if tail.unsure and not self._closed:
                why = f"may have been lost: {tail.unsure}"
                gone = Damage(table=table, row=last + 1, last_row=None, why=why)
                self._lost[table].append(gone)
        if not self._closed:
            self._lost[LOG] = [
                Damage(table=LOG, row=0, last_row=None, why=why) for why in self._log_lost()
            ]
        for device, (n, t_s) in counted.records.items():
            missing = n - self._have.get(device, 0)
            if device in self._dtypes and missing > 0:
                short = Shortfall(device=device, records=missing, counted_s=t_s)
                self._short.append(short)

    def _log_lost(self) -> Iterator[str]:
        images, log = self._images, self._images.log
        if self._foreign:
            yield self._foreign
            return
        missing = images.frames_told - max(log.end, images.frames_in_base)
        if missing > 0:
            n = images.frames_told
            what = "is cut short: the last" if missing < n else "is not there:"
            yield f"{what} {missing:,} of its {n:,} frames are gone; {LAST}"
        elif not log.end and not images.frames_told and not self._stopped():
            what = "does not read" if images.log_bytes else "is not there"
            yield f"{what}, though the recording was never ended: {LAST}"
        for where in lost_frames(self._walk):
            yield f"is damaged: {where} does not read, nor is it known which rows it held"

    def _stopped(self) -> bool:
        """Whether the recording was ended, and what came until then is there: a stop tells of
        every device that was silent before it."""
        stops = [event.t_s for event in self._events.events if event.kind == EventKind.STOP]
        if not stops:
            return False
        gaps = [event for event in self._events.events if event.kind == EventKind.GAP]
        ends_s = [event.data.get("t_end_s") for event in gaps]
        silent = any(isinstance(t, int | float) and t >= stops[-1] - 0.1 for t in ends_s)
        return silent or self._last_heard_s() >= stops[-1] - SILENT_S

    def _last_heard_s(self) -> float:
        """Receipt of the last batch that reads."""
        rows = Rows()
        for number, place in zip(
            self._numbers["batches"][-1:], self._places["batches"][-1:], strict=True
        ):
            columns = self._walk.columns(int(place))
            if columns is not None:
                rows.take_batch((int(number), *columns[1:]), self._dtypes)
        return float(rows.batches[0].heads["received_s"][-1]) if rows.batches else -math.inf

    def _loss(
        self,
        table: str,
        row: int,
        last: int,
        from_s: float | None = None,
        to_s: float | None = None,
        *,
        gone: str = "missing",
    ) -> Damage:
        cause = self.damage_found
        why = f"{'are' if last > row else 'is'} {gone}"
        if cause:
            why = f"{why} ({cause})" if gone == FILED else f"cannot be read back ({cause})"
        return Damage(table=table, row=row, last_row=last, why=why, from_s=from_s, to_s=to_s)

    @property
    def damage_found(self) -> str:
        """Where the journal is damaged, in words; empty where it is not, as far as can be seen.

        That alone does not mean that anything is lost.
        """
        images, log = self._images, self._images.log
        torn = [p for p in self._walk.suspects if p > 0 or -p - 1 not in log.bad]
        told = [
            *_named(images, torn, "does not hold together"),
            *_named(images, [-frame - 1 for frame in log.bad], "fails its checksum"),
        ]
        told += [f"{images.in_words(p)}: {why}" for p, why in images.unread().items()][:NAMED]
        if images.head_bad:
            told.append("the head of the database does not read")
        if log.header_bad and log.end:
            told.append("the head of the log does not read")
        if images.rest_bytes or (not images.head_bad and images.cut_short):
            told.append("the database is cut short")
        if self._foreign:
            told.append(f"the log beside it {self._foreign}")
        return "; ".join(told)

    # ------------------------------------------------------------------ reading

    def _read_all(self, table: str, rows: Rows) -> None:
        """All marks or all events; they are few beside the records."""
        before, before_s = 0, None
        for number, place in self._of(table):
            columns = self._walk.columns(place)
            if columns is None:
                continue
            held: list[Any] = [number, *columns[1:]]
            if table == "marks":
                rows.take_mark(tuple(held))
            else:
                held[2] = float(held[2])
                rows.take_event(tuple(held))
            items: list[Mark] | list[Event] = rows.marks if table == "marks" else rows.events
            t_s = items[-1].t_s if items else None
            if number > before + 1:
                loss = self._loss(table, before + 1, number - 1, from_s=before_s, to_s=t_s)
                rows.damage.append(loss)
            before, before_s = number, t_s

    def _of(self, table: str, after: int = 0) -> Iterator[tuple[int, int]]:
        numbers, places = self._numbers[table], self._places[table]
        for i in range(int(np.searchsorted(numbers, after, "right")), len(numbers)):
            yield int(numbers[i]), int(places[i])

    def read_new(self, cursor: Cursor, *, chunk_bytes: int = CHUNK_BYTES) -> Rows:
        """Rows after the cursor; with the last of them, what should have come after."""
        rows = Rows()
        if not cursor.header_checked:
            cursor.header_checked = True
            rows.marks, rows.events = list(self._marks.marks), list(self._events.events)
            lost = [d for t in ("events", "marks", LOG) for d in self._lost[t]]
            rows.damage += [*self._marks.damage, *self._events.damage, *lost]
        taken = 0
        for number, place in self._of("batches", cursor.batches):
            columns = self._walk.columns(place)
            if number > cursor.batches + 1:
                rows.damage.append(self._loss("batches", cursor.batches + 1, number - 1))
            if columns is None:
                rows.damage.append(self._loss("batches", number, number))
            else:
                rows.take_batch((number, *columns[1:]), self._dtypes)
                taken += len(columns[5]) if isinstance(columns[5], bytes) else 0
            cursor.batches = number
            if taken >= chunk_bytes:
                return rows
        if not cursor.end_checked:
            cursor.end_checked = True
            told = self._lost["batches"]
            rows.damage += told or [_short_loss(short, cursor.batches) for short in self._short]
            rows.short = list(self._short)
        return rows

    def last_batch(self) -> int | None:
        """Highest row of the batches (for a progress line)."""
        numbers = self._numbers["batches"]
        return int(numbers[-1]) if len(numbers) else 0

    def close(self) -> None:
        """Let go; may be called twice."""
        self._images.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _named(images: Images, places: list[int], what: str) -> list[str]:
    """The first few places, and how many more there are."""
    told = [f"{images.in_words(place)} {what}" for place in places[:NAMED]]
    more = len(places) - NAMED
    return [*told, f"so {'does' if more == 1 else 'do'} {more:,} more"] if more > 0 else told


def _short_loss(short: Shortfall, last: int) -> Damage:
    why = f"are not there: {short.records:,} more records of {short.device} had been counted"
    return Damage(table="batches", row=last + 1, last_row=None, why=why, device=short.device)


def _run_id(meta: dict[str, str]) -> str:
    header = _parsed(meta.get("header", ""))
    return str(header.get("run_id", "")) if isinstance(header, dict) else ""


def _counted(text: object) -> object:
    data = _parsed(text.decode("utf-8", "replace")) if isinstance(text, bytes) else None
    return data.get(COUNTED) if isinstance(data, dict) else None


def _parsed(text: str) -> object:
    try:
        return bounded_json(text)
    except (ValueError, RecursionError):
        return None
