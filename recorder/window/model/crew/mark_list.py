"""The crew's marks as the window knows them: keyed, pending, taken, corrected. No Qt here.

A mark is shown as taken only after the recording acknowledged it as durable. What is asked of the
recording goes to ``send``, in the order keyed; a worker carries it and brings the answers.
"""

from __future__ import annotations

import itertools
import math
import time
import uuid
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Any

from recorder.acquisition.control.requests import KeyedMark, MarkRevision
from recorder.machine.clocks import RunClock
from recorder.marks.grammar import LONGEST_NOTE, MarkValueError
from recorder.marks.kinds import Kind
from recorder.marks.mark import CLOSE_S, Mark
from recorder.marks.mileposts import next_milepost
from recorder.marks.values import MilepostMark, parse

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

__all__ = ["Entry", "EntryState", "MarkList"]


class EntryState(Enum):
    """What is known of a mark's being kept."""

    PENDING = "pending"
    TAKEN = "taken"
    REFUSED = "refused"
    UNSURE = "unsure"
    """Sent, but the recording was lost before it answered: may be kept or not; asked again
    when the recording is there again."""


@dataclass(slots=True)
class Entry:
    """One mark of the list."""

    number: int
    mark: Mark
    """As last acknowledged, or as keyed while nothing was acknowledged yet."""
    state: EntryState
    keyed: KeyedMark | None = None
    """What was asked at the key-down; None for a mark of another window."""
    problem: str = ""
    path_m: float = math.nan
    """Place on the paper, when known."""
    wanted: dict[str, Any] = field(default_factory=dict)
    """Changes typed but not yet acknowledged."""
    busy: bool = False
    """A request for this mark is on its way."""
    waits: bool = False
    """The recording has the request and cannot keep it yet; the list of marks tells when."""

    @property
    def shown(self) -> Mark:
        """The mark with what was typed, acknowledged or not."""
        if not self.wanted:
            return self.mark
        return Mark.from_dict({**self.mark.to_dict(), **self.wanted})

    @property
    def label(self) -> str:
        """A few words for the trace."""
        return f"{self.shown.kind_label} {self.shown.value}".strip()


class MarkList:
    """All marks of the run that this window knows of, in order of run time.

    ``clock`` gives the run time of a key-down.
    """

    def __init__(
        self,
        keys: Mapping[str, Kind],
        *,
        send: Callable[[KeyedMark | MarkRevision], None],
        clock: RunClock = RunClock(0),  # noqa: B008 - frozen
        first: float | None = None,
        step: float = 1.0,
    ) -> None:
        self.keys = dict(keys)
        """Key → kind."""
        self.first = first
        self.step = step
        self.entries: list[Entry] = []
        self.hint = ""
        """What the crew should know about the last press, in words."""
        self.closed = ""
        """Why no more marks are taken, in words; empty while they are."""
        self._send = send
        self._clock = clock
        self._by_id: dict[str, Entry] = {}
        self._counted_from_s = -math.inf
        """Mileposts keyed before do not count towards the next: the crew has set it since."""
        self._numbers = itertools.count(1)
        self._last_press: dict[str, int] = {}

    # ------------------------------------------------------------------ what the crew does

    def press(self, key: str, keyed_ns: int) -> Entry | None:
        """A key went down at this monotonic instant; None: it made no mark."""
        kind = self.keys.get(key)
        if kind is None:
            return None
        self.hint = self.closed
        if self.closed:
            return None
        before = self._last_press.get(key, -math.inf)
        if 0 <= (spacing_s := (keyed_ns - before) / 1e9) < CLOSE_S:
            self.hint = (
                f"{kind.label} keyed twice within {spacing_s:.2f} s: both are kept; Delete takes"
                " one back if it was not meant"
            )
        self._last_press[key] = keyed_ns
        value = self.next_milepost().text if kind is Kind.MILEPOST else ""
        keyed = KeyedMark(
            mark_id=uuid.uuid4().hex, kind=kind, keyed_monotonic_ns=keyed_ns, value=value
        )
        t_s = self._run_s(keyed_ns)
        mark = Mark(mark_id=keyed.mark_id, kind=kind, t_s=t_s, value=value)
        entry = self._add(mark, EntryState.PENDING, keyed)
        self._send(keyed)
        return entry

    def fill_in(self, entry: Entry, text: str) -> None:
        """Take what was typed for a mark: its value, then after a semicolon free words.

        Raises
        ------
        MarkValueError
            Not what this kind of mark allows; nothing is changed.
        """
        kind = entry.mark.kind
        if not isinstance(kind, Kind):
            msg = f"{kind} is a kind of mark of a newer version; change it with that one"
            raise MarkValueError(msg)
        value, semicolon, note = text.partition(";") if kind.parts_note else (text, "", "")
        changes = {"value": parse(kind, value).text}
        if semicolon:
            changes["note"] = " ".join(note.split())[:LONGEST_NOTE]
        self._change(entry, changes)

    def typed_of(self, entry: Entry) -> str:
        """What to begin with when a mark's details are typed: as :meth:`fill_in` takes it."""
        mark = entry.shown
        parts_note = isinstance(mark.kind, Kind) and mark.kind.parts_note
        return mark.value + (f"; {mark.note}" if mark.note and parts_note else "")

    def withdraw(self, entry: Entry) -> None:
        """Withdraw a mark, or bring a withdrawn one back: a new revision either way."""
        self._change(entry, {"withdrawn": not entry.shown.withdrawn})

    def turn_count(self) -> None:
        """Mileposts count the other way from now on."""
        self.step = -self.step

    def next_milepost(self) -> MilepostMark:
        """What the next milepost mark will carry; bare while no number is known."""
        shown = (e.shown for e in self.entries if e.mark.t_s > self._counted_from_s)
        return next_milepost(shown, first=self.first, step=self.step)

    def set_next_milepost(self, text: str, at_ns: int) -> None:
        """The next post keyed after this monotonic instant carries this number, and the count
        goes on from it; posts keyed before keep theirs.

        Raises
        ------
        MarkValueError
            Not a milepost number; nothing is changed.
        """
        value = parse(Kind.MILEPOST, text)
        assert isinstance(value, MilepostMark)
        if value.number is None:
            msg = "next milepost: got nothing; allowed: a number, for example 12 or 12.25"
            raise MarkValueError(msg)
        self.first, self._counted_from_s = value.number, self._run_s(at_ns)
        self.hint = f"the next milepost is {value.text}"

    # ------------------------------------------------------------------ what comes back

    def answered(self, mark: Mark) -> None:
        """The recording has this revision durably."""
        entry = self._by_id.get(mark.mark_id)
        if entry is None:
            return
        self._kept(entry, mark)
        self._sort()

    def _kept(self, entry: Entry, mark: Mark) -> None:
        entry.mark, entry.state, entry.problem = mark, EntryState.TAKEN, ""
        entry.busy = entry.waits = False
        kept = mark.to_dict()
        entry.wanted = {k: v for k, v in entry.wanted.items() if kept[k] != v}
        self._send_revision(entry)

    def waits(self, mark_id: str, why: str) -> None:
        """The recording has what was asked and goes on trying to keep it: not taken yet."""
        if (entry := self._by_id.get(mark_id)) is not None:
            entry.waits, entry.problem = True, why

    def contact_lost(self, why: str) -> None:
        """Whether the recording still comes to keep what waited there, nobody tells now."""
        for entry in self.entries:
            if entry.waits:
                entry.waits = False
                self.unanswered(entry.mark.mark_id, why)

    def refused(self, mark_id: str, why: str) -> None:
        """The recording refused what was asked about this mark."""
        if (entry := self._by_id.get(mark_id)) is None:
            return
        entry.busy, entry.problem = False, why
        entry.wanted = {}
        if entry.state is EntryState.PENDING:
            entry.state = EntryState.REFUSED

    def unanswered(self, mark_id: str, why: str) -> None:
        """The recording did not answer; whether it has what was asked is not known."""
        if (entry := self._by_id.get(mark_id)) is None:
            return
        entry.busy, entry.problem = False, why
        if entry.state is EntryState.PENDING:
            entry.state = EntryState.UNSURE

    def refresh(self, revisions: Sequence[Mark]) -> None:
        """Take up marks the recording has, of other windows or from before this one."""
        for mark in revisions:
            entry = self._by_id.get(mark.mark_id)
            if entry is None:
                self._add(mark, EntryState.TAKEN, None)
            elif entry.state is EntryState.TAKEN and mark.revision <= entry.mark.revision:
                continue
            elif entry.waits:
                self._kept(entry, mark)
            elif entry.state is not EntryState.TAKEN:
                # Listed before its own answer came, or the answer got lost: it is durable.
                entry.mark, entry.state, entry.problem = mark, EntryState.TAKEN, ""
            else:
                entry.mark = mark
        self._sort()

    def send_again(self) -> None:
        """The recording is there again: ask anew for what never got an answer.

        The same mark asked for twice is kept once: it has had its identity since the key-down.
        """
        for entry in self.entries:
            if entry.state is EntryState.UNSURE and entry.keyed is not None:
                entry.state, entry.busy, entry.problem = EntryState.PENDING, True, ""
                self._send(entry.keyed)
            else:
                self._send_revision(entry)

    # ------------------------------------------------------------------ for the screen

    def visible(self) -> list[Entry]:
        """Marks to draw: all that are not withdrawn."""
        return [e for e in self.entries if not e.shown.withdrawn]

    def waiting_s(self, now_ns: int) -> float:
        """How long the oldest unanswered press has waited."""
        pressed = [
            e.keyed.keyed_monotonic_ns
            for e in self.entries
            if e.keyed is not None and e.state is EntryState.PENDING
        ]
        return max(now_ns - min(pressed, default=now_ns), 0) / 1e9

    # ------------------------------------------------------------------ inside

    def _run_s(self, monotonic_ns: int) -> float:
        return self._clock.run_s(monotonic_ns)

    def _change(self, entry: Entry, changes: Mapping[str, Any]) -> None:
        kept = entry.mark.to_dict()
        entry.wanted = {
            k: v for k, v in {**entry.wanted, **changes}.items() if kept.get(k) != v
        }
        entry.problem = ""
        self._send_revision(entry)

    def _send_revision(self, entry: Entry) -> None:
        """Ask for the next revision, one at a time: each must follow the newest one held."""
        if entry.busy or not entry.wanted or entry.state is not EntryState.TAKEN:
            return
        entry.busy = True
        mark = entry.mark.revised(**entry.wanted, entered_utc_ns=time.time_ns())
        self._send(MarkRevision(mark))

    def _add(self, mark: Mark, state: EntryState, keyed: KeyedMark | None) -> Entry:
        entry = Entry(
            number=next(self._numbers), mark=mark, state=state, keyed=keyed, busy=bool(keyed)
        )
        self.entries.append(entry)
        self._by_id[mark.mark_id] = entry
        self._sort()
        return entry

    def _sort(self) -> None:
        self.entries.sort(key=lambda e: (e.mark.t_s, e.number))
