"""The keeper: drains every ring into the journal, several times a second."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from recorder.acquisition.safekeeping.intake import Batch, Cursor, Outbox
from recorder.keeping.errors import JournalError, JournalFullError, NotKeptError
from recorder.run.parts.event import Event

if TYPE_CHECKING:
    from recorder.acquisition.ring.ring import RingReader
    from recorder.keeping.journal import Journal
    from recorder.run.parts.block import Block
    from recorder.run.parts.gap import Gap

__all__ = ["Keeper", "Stall"]

FULL_SHARE: Final = 0.1
"""A ring fuller than this after a commit is drained again at once."""
EVERY_S: Final = 0.2
"""Between commits, each of which costs the same however little it brings. With what gathers at a
port and the commit itself well under the half of a second that is promised; marks do not wait."""
AGAIN_S: Final = (0.1, 0.2, 0.5, 1.0)
"""Between the tries of a commit that fails; the last stands for all further ones."""
PATIENCE_S: Final = 30.0
"""At the stop a commit that fails is tried for so long: drives give a request up after 7 to 30 s
(common practice), and a person waits."""
TICK_S: Final = 1.0
"""How often whoever waits for the end is told that it goes on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stall:
    """A while in which nothing could be kept."""

    lasted_s: float
    tries: int
    why: str
    """Empty where no try has failed: the disk does not answer."""


class Keeper:
    """Owns the readers that count as kept, and the thread that commits.

    A commit that fails is held and tried again, as it was, until it is kept; what comes
    meanwhile waits in the rings. ``failed`` is called once, from the keeper's thread, when
    nothing more is to come: the disk is full, or a mistake of ours. ``overrun`` is called with
    every gap the keeper itself had to make.
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
        """Overwritten before they could be kept, or left when the run ended."""
        self._journal = journal
        self._cursors = {name: Cursor(name, reader) for name, reader in readers.items()}
        self._outbox = outbox
        self._failed = failed
        self._overrun = overrun
        self._told_failure = False
        self._bug = ""
        """A mistake of ours after which it keeps no more; empty while there was none."""
        self._batch = Batch()
        self._since: float | None = None
        """Of the clock below, when the batch was first tried; None while there is none."""
        self._tries = 0
        self._why = ""
        self._full = False
        """There was no room at the last try."""
        self._events_lost = 0
        self._stalls: deque[Stall] = deque()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def start(self) -> None:
        """Begin to keep."""
        self._thread.start()

    def stop(
        self,
        end_s: float = 0.0,
        *,
        patience_s: float = PATIENCE_S,
        waiting: Callable[[], None] = lambda: None,
    ) -> str:
        """Keep what is in the rings and the outbox, then end; what is not kept, in words.

        A commit that fails is tried for ``patience_s``; what can then not be kept is told by a
        gap up to ``end_s``, the end of the run, if that can. ``waiting`` is called now and then.
        """
        self._stop.set()
        while self._thread.is_alive():
            self._thread.join(TICK_S)
            waiting()
        deadline = time.monotonic() + patience_s
        if self._keep_all(deadline, waiting):
            for cursor in self._cursors.values():
                self._batch.items.extend(self._counted(cursor.finish()))
            if self._keep_all(deadline, waiting):
                return ""
        return self._give_up(end_s)

    def keep(self) -> bool:
        """One commit of what is there, first of all of what could not be kept before; False when
        there was nothing, or it is not kept.

        Called by the keeper's own thread, or when that has ended.
        """
        if self._bug:
            return False
        if not self._batch:
            self._gather()
        return bool(self._batch) and self._commit()

    def _commit(self) -> bool:
        if self._since is None:
            self._since = time.monotonic()
        try:
            self._journal.append(self._batch.blocks, self._batch.items)
        except (NotKeptError, MemoryError) as error:
            self._put_off(error)
            return False
        except JournalError as error:
            self._end_by(error)
            return False
        lasted_s = time.monotonic() - self._since
        self.longest_s = max(self.longest_s, lasted_s)
        if self._tries:
            self._stalls.append(Stall(lasted_s=lasted_s, tries=self._tries + 1, why=self._why))
        self._note_kept()
        return True

    def _note_kept(self) -> None:
        self._batch, self._since = Batch(), None
        self._tries, self._why, self._full = 0, "", False
        for cursor in self._cursors.values():
            cursor.note_kept()
            cursor.reader.mark_kept()

    def _put_off(self, error: NotKeptError | MemoryError) -> None:
        """Held here, it needs no room in the rings any more."""
        self._tries += 1
        self._why = getattr(error, "strerror", None) or str(error) or "no memory"
        for cursor in self._cursors.values():
            cursor.reader.mark_kept()
        self._full = isinstance(error, JournalFullError)
        if self._full:
            self._tell(error)

    def _end_by(self, bug: Exception) -> None:
        self._bug = f"{type(bug).__name__}: {bug}"
        self._tell(bug)

    def _tell(self, error: Exception) -> None:
        if not self._told_failure:
            self._told_failure = True
            self._failed(error)

    # ------------------------------------------------------------------ how it stands

    def stall(self) -> Stall | None:
        """That nothing can be kept just now, and for how long; any thread may ask."""
        since = self._since
        if since is None:
            return None
        lasted_s = time.monotonic() - since
        return Stall(lasted_s=lasted_s, tries=self._tries, why=self._why)

    @property
    def tries_again(self) -> bool:
        """A commit has failed and may be kept at another try."""
        return bool(self._tries) and not self._full and not self._bug

    def take_stalls(self) -> list[Stall]:
        """Those that are over, and in which a try had failed, since last asked."""
        return [self._stalls.popleft() for _ in range(len(self._stalls))]

    def take_longest_s(self) -> float:
        """Longest commit since last asked."""
        longest, self.longest_s = self.longest_s, 0.0
        return longest

    def kept(self) -> dict[str, int]:
        """Records kept, by device."""
        return {name: cursor.kept for name, cursor in self._cursors.items()}

    def ends_at_s(self, stop_s: float) -> float:
        """Run time at which what is kept ends: at the stop; with the last record kept, where
        the stop is not."""
        if not self._events_lost:
            return stop_s
        return max((cursor.kept_until_s for cursor in self._cursors.values()), default=0.0)

    def close(self) -> None:
        """Let go of the rings."""
        for cursor in self._cursors.values():
            cursor.reader.close()

    # ------------------------------------------------------------------ the thread

    def _run(self) -> None:
        try:
            while not self._stop.wait(self._wait_s()):
                self.keep()
        except Exception as bug:  # noqa: BLE001 - never dies unseen
            self._end_by(bug)

    def _wait_s(self) -> float:
        if self._tries:
            return AGAIN_S[min(self._tries, len(AGAIN_S)) - 1]
        return 0.0 if self._behind() else EVERY_S

    def _behind(self) -> bool:
        if self._bug:
            return False
        stats = [cursor.reader.stats() for cursor in self._cursors.values()]
        return any(ring.used > FULL_SHARE * ring.capacity for ring in stats)

    def _keep_all(self, deadline: float, waiting: Callable[[], None]) -> bool:
        """Until there is nothing left; False when what is left cannot be kept in time."""
        while not self._bug:
            try:
                kept = self.keep()
            except Exception as bug:  # noqa: BLE001 - told as what ended it, by who gives up
                self._end_by(bug)
                return False
            if kept:
                continue
            if not self._batch:
                return True
            if self._full or time.monotonic() >= deadline:
                break
            time.sleep(self._wait_s())
            waiting()
        return False

    def _give_up(self, end_s: float) -> str:
        """What is left is told by a gap, and the events are kept without it, if any commit is
        possible; what is not kept, in words."""
        if self._bug:
            self._keep_without_the_fault()
        elif self._batch and not self._full:
            self._settle_doubt()
        why = self._bug or self._why
        gaps = [g for c in self._cursors.values() if (g := c.left(end_s, why)) is not None]
        waiting = [*self._batch.items, *self._outbox.take()]
        self._batch = Batch()
        items = [*self._counted(gaps), *map(self._clipped, waiting)]
        left = [f"{gap.lost_records} records of {gap.device}" for gap in gaps]
        error = self._error_of([], items)
        if isinstance(error, NotKeptError) and not isinstance(error, JournalFullError):
            # It may be there although it failed, as in :meth:`_settle_doubt`.
            error = self._error_of([], items)
        if error is not None:
            lost = len(items)
            if not isinstance(
                error, NotKeptError
            ):  # one of them is at fault: the others are kept
                lost = sum(self._error_of([], [item]) is not None for item in items)
            self._events_lost = lost
            left += [f"{lost} of the last {len(items)} events"] * bool(lost)
        return f"not kept at the end: {', '.join(left)} ({why or error})" if left else ""

    def _settle_doubt(self) -> None:
        """The last try may be on the disk although it failed: the same again, before another."""
        if self._error_of(self._batch.blocks, self._batch.items) is None:
            self._note_kept()

    def _keep_without_the_fault(self) -> None:
        """A mistake of ours may lie in the events alone: then the records are kept."""
        items = self._batch.items
        if self._error_of(self._batch.blocks, items) is None:
            self._note_kept()
        elif self._batch.blocks and self._error_of(self._batch.blocks, []) is None:
            self._note_kept()
            self._batch.items = items

    def _error_of(self, blocks: list[Block], items: list[Event | Gap]) -> Exception | None:
        """Try to keep them, at the very end, whatever stands against it; None: they are kept."""
        try:
            self._journal.append(blocks, items)
        except Exception as error:  # noqa: BLE001 - whoever asked tells what is not kept, and why
            return error
        return None

    def _clipped(self, item: Event | Gap) -> Event | Gap:
        """A gap behind what is kept stands at its end."""
        if isinstance(item, Event):
            return item
        kept = self._cursors[item.device].kept
        return replace(item, before_record=min(item.before_record, kept))

    def _gather(self) -> None:
        """Into the batch at once: what a later ring may raise takes nothing with it."""
        for cursor in self._cursors.values():
            self._counted(cursor.poll(self._batch))
        # After the rings: a gap is put before its records, so it is never missed.
        self._batch.items.extend(self._mapped(item) for item in self._outbox.take())

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
