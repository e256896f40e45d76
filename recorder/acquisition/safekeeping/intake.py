"""What comes to the keeper: events by the outbox, records by a cursor in each device's ring."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from recorder.run.parts.gap import Cause, Gap

if TYPE_CHECKING:
    from recorder.acquisition.ring.ring import RingReader
    from recorder.run.parts.block import Block
    from recorder.run.parts.event import Event

__all__ = ["Batch", "Cursor", "Outbox"]


class Outbox:
    """Gaps and events on their way to the journal; any thread puts, the keeper takes."""

    def __init__(self) -> None:
        self._waiting: deque[Event | Gap] = deque()

    def put(self, item: Event | Gap) -> None:
        """Hand over; kept with the next commit."""
        self._waiting.append(item)

    def take(self) -> list[Event | Gap]:
        """All that waits, in order."""
        taken = []
        while self._waiting:
            taken.append(self._waiting.popleft())
        return taken


@dataclass(slots=True)
class Batch:
    """What goes into one commit, and is tried again as it is until it is kept."""

    blocks: list[Block] = field(default_factory=list)
    items: list[Event | Gap] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.blocks or self.items)


class Cursor:
    """One device: what is taken and kept of it, and what was overwritten before it could be."""

    def __init__(self, name: str, reader: RingReader) -> None:
        self.name = name
        self.reader = reader
        self.taken = 0
        """Records taken out of the ring; the next commit brings the last of them."""
        self.kept = 0
        self.kept_until_s = 0.0
        self._next = 0
        self._damaged = 0
        self._last_t = 0.0
        self._drops: list[tuple[int, int]] = []

    def poll(self, batch: Batch) -> list[Gap]:
        """Take what is in the ring into a batch; what is lost of it is told before it."""
        gaps = []
        for block in self.reader.poll():
            times = block.time_s()
            if lost := block.first_record - self._next:
                self._drops.append((block.first_record, lost))
                gaps.append(self._lost(lost, float(times[0])))
            self._next = block.first_record + len(block.records)
            self.taken += len(block.records)
            self._last_t = float(times[-1])
            batch.blocks.append(block)
        batch.items.extend(gaps)
        return gaps

    def note_kept(self) -> None:
        """All that was taken is on the disk."""
        self.kept, self.kept_until_s = self.taken, self._last_t

    def index(self, record: int) -> int:
        """Index among the kept records of what was record number ``record``."""
        return record - sum(lost for first, lost in self._drops if first <= record)

    def finish(self) -> list[Gap]:
        """What was lost at the very end, where no later block shows it."""
        lost = self.reader.not_read()
        return [self._lost(lost, self._last_t)] if lost else []

    def left(self, end_s: float, why: str) -> Gap | None:
        """All that was never kept, as a gap to the end of the run; None: there is nothing."""
        lost = self.taken - self.kept + self.reader.not_read()
        if not lost:
            return None
        return Gap(
            device=self.name,
            t_start_s=min(self.kept_until_s, end_s),
            t_end_s=end_s,
            cause=Cause.RING_OVERRUN,
            detail=f"{lost} records could not be kept before the end: {why}",
            lost_records=lost,
            before_record=self.kept,
        )

    def _lost(self, lost: int, t_end_s: float) -> Gap:
        cause, why = (
            Cause.RING_OVERRUN,
            "overwritten before they could be kept: the disk stalled",
        )
        if self.reader.damaged > self._damaged:
            self._damaged = self.reader.damaged
            cause, why = Cause.RING_DAMAGED, "in shared memory did not agree with their check"
        return Gap(
            device=self.name,
            t_start_s=min(self._last_t, t_end_s),
            t_end_s=t_end_s,
            cause=cause,
            detail=f"{lost} records {why}",
            lost_records=lost,
            before_record=self.taken,
        )
