"""From the journal's rows to the run file: the same code live and in recovery."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol

from recorder.keeping.journal_reader import CHUNK_BYTES
from recorder.keeping.journal_rows import Cursor
from recorder.run.parts.block import joined, times_of
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.silence import REMEMBERED, Rhythm
from recorder.run.parts.states import LinkState

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from recorder.keeping.journal_rows import Damage, Rows, Shortfall, StoredBlocks
    from recorder.marks.mark import Mark
    from recorder.run.parts.header import RunHeader
    from recorder.run_file.hdf5.live_writer import LiveWriter

__all__ = ["IndexMap", "JournalRows", "Transfer", "rows_by_device"]


class JournalRows(Protocol):
    """A journal that is read: while it is written, or left behind."""

    @property
    def path(self) -> Path:
        """Where it lies."""
        ...

    @property
    def header(self) -> RunHeader:
        """The run's header."""
        ...

    def read_new(self, cursor: Cursor, *, chunk_bytes: int = CHUNK_BYTES) -> Rows:
        """Rows after the cursor, at about so many bytes; moves the cursor on."""
        ...

    def last_batch(self) -> int | None:
        """Highest row of the batches; None where it cannot be read."""
        ...


@dataclass(slots=True)
class IndexMap:
    """Where a device's records stand in the run file when rows of the journal were lost."""

    next_record: int = 0
    """Index the next batch should have."""
    lost: list[tuple[int, int]] = field(default_factory=list)
    """(index of the first record after a loss, records lost before it in all)."""

    def place(self, first_record: int, n: int) -> int:
        """Take up a batch; returns the records lost just before it."""
        missing = max(first_record - self.next_record, 0)
        if missing:
            before = self.lost[-1][1] if self.lost else 0
            self.lost.append((first_record, before + missing))
        self.next_record = first_record + n
        return missing

    def in_file(self, index: int) -> int:
        """Index in the run file of the record that had ``index`` when it was recorded."""
        gone = 0
        for first, lost in self.lost:
            if first <= index:
                gone = lost
        return index - gone


def rows_by_device(batches: Sequence[StoredBlocks]) -> dict[str, list[StoredBlocks]]:
    """Batches of each device, in order."""
    result: dict[str, list[StoredBlocks]] = {}
    for batch in batches:
        result.setdefault(batch.device, []).append(batch)
    return result


class Transfer:
    """Moves committed rows on, in order, and turns damaged ones into gaps and events."""

    def __init__(self, reader: JournalRows) -> None:
        self.reader = reader
        self.cursor = Cursor()
        self.damage: list[Damage] = []
        self._maps = {d.name: IndexMap() for d in reader.header.devices}
        self._latest_s = {d.name: 0.0 for d in reader.header.devices}
        self._rhythms = {d.name: Rhythm() for d in reader.header.devices}

    def step(self, writer: LiveWriter, *, chunk_bytes: int = CHUNK_BYTES) -> bool:
        """Move the next chunk; False when there was nothing new.

        Raises
        ------
        JournalError, WriterDeadError
        """
        rows = self.next_rows(chunk_bytes=chunk_bytes)
        if not rows:
            return False
        writer.add_events(rows.events)
        writer.add_marks(rows.marks)
        for device, batches in rows_by_device(rows.batches).items():
            heads = joined([batch.heads for batch in batches])
            writer.append(device, heads, joined([batch.records for batch in batches]))
        return True

    def next_rows(self, *, chunk_bytes: int = CHUNK_BYTES) -> Rows:
        """The next chunk as it goes into the file: losses told as gaps, indices mapped.

        An index can be mapped only as far as losses are known; :meth:`collect` sees them all.
        """
        rows = self.reader.read_new(self.cursor, chunk_bytes=chunk_bytes)
        losses = self._losses(rows)
        rows.events = [*map(self.mapped, rows.events), *losses]
        return rows

    def collect(self) -> tuple[list[Mark], list[Event]]:
        """All marks and all events of the journal, losses told as gaps, indices mapped.

        Of a run that was cut off, a device that was silent then has its gap up to the last sign
        of life: a stop would have told it.
        """
        marks: list[Mark] = []
        events: list[Event] = []
        losses: list[Event] = []
        while rows := self.reader.read_new(self.cursor):
            marks.extend(rows.marks)
            events.extend(rows.events)
            losses.extend(self._losses(rows))
        silent = [gap.to_event() for gap in self._silent_at_the_end(events)]
        return marks, [*map(self.mapped, events), *losses, *silent]

    def _silent_at_the_end(self, events: Sequence[Event]) -> Iterator[Gap]:
        alive_s = [event.t_s for event in events if event.kind == EventKind.HEALTH]
        if not alive_s or any(event.kind == EventKind.STOP for event in events):
            return
        end_s, lost = max(alive_s), _links_lost(events)
        for device, rhythm in self._rhythms.items():
            silent_s = end_s - max(rhythm.last_s or 0.0, 0.0)
            if silent_s <= rhythm.quiet_after_s:
                continue
            place = self._maps[device]
            yield Gap(
                device=device,
                t_start_s=min(max(self._latest_s[device], 0.0), end_s),
                t_end_s=end_s,
                cause=Cause.LINK_LOST if device in lost else Cause.SILENT,
                detail=f"{lost.get(device) or f'no record for {silent_s:.1f} s'}; then the"
                " recording was cut off",
                before_record=place.in_file(place.next_record),
            )

    def _losses(self, rows: Rows) -> list[Event]:
        self.damage.extend(rows.damage)
        gaps = [gap for batch in rows.batches if (gap := self._take(batch)) is not None]
        for device, batches in rows_by_device(rows.batches).items():
            heads = joined([batch.heads for batch in batches[-REMEMBERED - 1 :]])
            for received_s in heads["received_s"][-REMEMBERED - 1 :].tolist():
                self._rhythms[device].heard(received_s)
        gaps += [self._cut_short(short) for short in rows.short]
        latest_s = max(self._latest_s.values(), default=0.0)
        return [
            *(gap.to_event() for gap in gaps),
            *(_damage_event(damage, latest_s) for damage in rows.damage),
        ]

    def _take(self, batch: StoredBlocks) -> Gap | None:
        place = self._maps[batch.device]
        before_s = self._latest_s[batch.device]
        missing = place.place(batch.first_record, len(batch.records))
        ends = batch.heads[[0, -1]]
        ends["n"] = 1
        first_s, last_s = times_of(ends, batch.records["tick"][[0, -1]]).tolist()
        self._latest_s[batch.device] = last_s
        if not missing:
            return None
        return Gap(
            device=batch.device,
            t_start_s=before_s,
            t_end_s=first_s,
            cause=Cause.JOURNAL_DAMAGED,
            detail=f"{missing} records could not be read back from the journal",
            lost_records=missing,
            before_record=place.in_file(batch.first_record),
        )

    def _cut_short(self, short: Shortfall) -> Gap:
        """The gap at the end of a device whose last records are lost with the journal's end."""
        start_s = self._latest_s[short.device]
        end_s = max(start_s, short.counted_s)
        self._latest_s[short.device] = end_s
        self._rhythms[short.device].heard(end_s)
        place = self._maps[short.device]
        return Gap(
            device=short.device,
            t_start_s=start_s,
            t_end_s=end_s,
            cause=Cause.JOURNAL_DAMAGED,
            detail=f"{short.records} records, counted when they were kept, could not be read"
            " back from the journal",
            lost_records=short.records,
            before_record=place.in_file(place.next_record),
        )

    def mapped(self, event: Event) -> Event:
        """A gap's index as it is in the file; other events as they are."""
        if event.kind != EventKind.GAP:
            return event
        try:
            gap = Gap.from_dict(event.data)
        except (KeyError, TypeError, ValueError) as error:
            data = {"gap": event.data, "why": str(error)}
            return Event(kind=EventKind.DAMAGED, t_s=event.t_s, data=data)
        place = self._maps.get(gap.device)
        if place is None or not place.lost:
            return event
        return replace(gap, before_record=place.in_file(gap.before_record)).to_event()


def _links_lost(events: Sequence[Event]) -> dict[str, str]:
    """Devices whose link was lost when last heard of, and why."""
    lost: dict[str, str] = {}
    for event in events:
        if event.kind == EventKind.LINK:
            device, state = str(event.data.get("device")), event.data.get("state")
            if state == LinkState.LOST:
                lost[device] = str(event.data.get("why"))
            elif state == LinkState.BACK:
                lost.pop(device, None)
    return lost


def _damage_event(damage: Damage, t_s: float) -> Event:
    data = {
        "table": damage.table,
        "row": damage.row,
        "last_row": damage.last_row,
        "why": damage.why,
        "device": damage.device,
        "from_s": damage.from_s,
        "to_s": damage.to_s,
    }
    return Event(kind=EventKind.JOURNAL_DAMAGE, t_s=t_s, data=data)
