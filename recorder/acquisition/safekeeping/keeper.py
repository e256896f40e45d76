"""The keeper: drains every ring into the journal, several times a second."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from recorder.keeping.errors import JournalError, JournalFullError
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap

if TYPE_CHECKING:
    from recorder.acquisition.ring.ring import RingReader
    from recorder.keeping.journal import Journal
    from recorder.run.parts.block import Block

__all__ = ["Keeper", "Outbox"]

FULL_SHARE: Final = 0.1
"""A ring fuller than this after a commit is drained again at once."""
EVERY_S: Final = 0.1
"""Between commits; with the commit itself well under the promised quarter of a second."""


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


class _Cursor:
    """One device: what is kept, and what was overwritten before it could be."""

    def __init__(self, name: str, reader: RingReader) -> None:
        self.name = name
        self.reader = reader
        self.kept = 0
        self._next = 0
        self._damaged = 0
        self._last_t = 0.0
        self._drops: list[tuple[int, int]] = []

    def poll(self) -> tuple[list[Block], list[Gap]]:
        blocks = self.reader.poll()
        gaps = []
        for block in blocks:
            times = block.time_s()
            if lost := block.first_record - self._next:
                self._drops.append((block.first_record, lost))
                gaps.append(self._lost(lost, float(times[0])))
            self._next = block.first_record + len(block.records)
            self.kept += len(block.records)
            self._last_t = float(times[-1])
        return blocks, gaps

    def index(self, record: int) -> int:
        """Index among the kept records of what was record number ``record``."""
        return record - sum(lost for first, lost in self._drops if first <= record)

    def finish(self) -> list[Gap]:
        """What was lost at the very end, where no later block shows it."""
        lost = self.reader.not_read()
        return [self._lost(lost, self._last_t)] if lost else []

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
            before_record=self.kept,
        )


class Keeper:
    """Owns the readers that count as kept, and the thread that commits.

    ``failed`` is called once, from the keeper's thread, when the journal takes no more;
    ``overrun`` is called with every gap the keeper itself had to make.
    """

    def __init__(
        self,
        journal: Journal,
        readers: Mapping[str, RingReader],
        outbox: Outbox,
        *,
        failed: Callable[[Exception], None],
        overrun: Callable[[Gap], None] = lambda _gap: None,
    ) -> None:
        self.longest_s = 0.0
        """Longest commit since :meth:`take_longest_s` was last asked."""
        self.overruns = 0
        self.lost_records = 0
        """Overwritten before they could be kept."""
        self._journal = journal
        self._cursors = {name: _Cursor(name, reader) for name, reader in readers.items()}
        self._outbox = outbox
        self._failed = failed
        self._overrun = overrun
        self._broken = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def start(self) -> None:
        """Begin to keep."""
        self._thread.start()

    def stop(self) -> None:
        """Keep what is in the rings and the outbox, then end."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        while self.keep():
            pass
        if gaps := self._counted([g for c in self._cursors.values() for g in c.finish()]):
            self._commit([], gaps)

    def keep(self) -> bool:
        """One commit of what is there; False when there was nothing, or no more can be kept.

        Called by the keeper's own thread, or when that has ended.
        """
        if self._broken:
            return False
        blocks, gaps = self._poll()
        # After the rings: a gap is put before its records, so it is never missed.
        items: list[Event | Gap] = [*gaps, *(self._mapped(i) for i in self._outbox.take())]
        return bool(blocks or items) and self._commit(blocks, items)

    def _commit(self, blocks: Sequence[Block], items: Sequence[Event | Gap]) -> bool:
        """False when no more can be kept."""
        if self._broken:
            return False
        began = time.perf_counter()
        try:
            self._journal.append(blocks, items)
        except (JournalError, JournalFullError) as error:
            self._broken = True
            self._failed(error)
            return False
        self.longest_s = max(self.longest_s, time.perf_counter() - began)
        for cursor in self._cursors.values():
            cursor.reader.mark_kept()
        return True

    def take_longest_s(self) -> float:
        """Longest commit since last asked."""
        longest, self.longest_s = self.longest_s, 0.0
        return longest

    def kept(self) -> dict[str, int]:
        """Records kept, by device."""
        return {name: cursor.kept for name, cursor in self._cursors.items()}

    def close(self) -> None:
        """Let go of the rings."""
        for cursor in self._cursors.values():
            cursor.reader.close()

    def _run(self) -> None:
        try:
            while not self._stop.wait(0.0 if self._behind() else EVERY_S):
                self.keep()
        except Exception as bug:  # noqa: BLE001 - never dies unseen
            self._broken = True
            self._failed(bug)

    def _behind(self) -> bool:
        if self._broken:
            return False
        stats = [cursor.reader.stats() for cursor in self._cursors.values()]
        return any(ring.used > FULL_SHARE * ring.capacity for ring in stats)

    def _poll(self) -> tuple[list[Block], list[Gap]]:
        kept: list[Block] = []
        lost: list[Gap] = []
        for cursor in self._cursors.values():
            blocks, gaps = cursor.poll()
            lost.extend(self._counted(gaps))
            kept.extend(blocks)
        return kept, lost

    def _counted(self, gaps: list[Gap]) -> list[Gap]:
        for gap in gaps:
            self.overruns += 1
            self.lost_records += gap.lost_records
            self._overrun(gap)
        return gaps

    def _mapped(self, item: Event | Gap) -> Event | Gap:
        if isinstance(item, Event):
            return item
        index = self._cursors[item.device].index(item.before_record)
        if index == item.before_record:
            return item
        return replace(item, before_record=index)
