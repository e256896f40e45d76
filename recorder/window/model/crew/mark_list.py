"""The crew's marks as the window knows them: keyed, pending, taken, corrected. No Qt here.

A mark is shown as taken only after the recording said that it is durable. What is to be said to
the recording is put in :attr:`MarkList.outbox`; a worker carries it and brings the answers.
"""

from __future__ import annotations

import itertools
import math
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from recorder.marks.kinds import MarkValueError, check_value, find_kind
from recorder.marks.mark import Mark
from recorder.marks.mileposts import next_milepost

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["PENDING", "REFUSED", "TAKEN", "UNSURE", "Entry", "MarkList", "MarkRequest"]

PENDING: Final = "pending"
TAKEN: Final = "taken"
REFUSED: Final = "refused"
UNSURE: Final = "unsure"
"""Sent, but the recording was lost before it answered: may be kept or not; asked again when
the recording is there again."""

CLOSE_S: Final = 0.2
"""Two presses of one key closer than this are noted: a shaking car doubles them."""


@dataclass(slots=True)
class Entry:
    """One mark of the book."""

    number: int
    mark: Mark
    """As last acknowledged, or as keyed while nothing was acknowledged yet."""
    state: str
    keyed_ns: int = 0
    problem: str = ""
    path_m: float = math.nan
    """Place on the paper, when known."""
    wanted: dict[str, Any] = field(default_factory=dict)
    """Changes typed but not yet acknowledged."""
    busy: bool = False
    """A request for this mark is on its way."""

    @property
    def shown(self) -> Mark:
        """The mark with what was typed, acknowledged or not."""
        if not self.wanted:
            return self.mark
        return Mark.from_dict({**self.mark.to_dict(), **self.wanted})

    @property
    def label(self) -> str:
        """A few words for the trace."""
        mark = self.shown
        title = find_kind(mark.kind).title if _known(mark.kind) else mark.kind
        return f"{title} {mark.value}".strip()


@dataclass(frozen=True, slots=True)
class MarkRequest:
    """Something to say to the recording about one entry."""

    number: int
    kind: str
    keyed_ns: int
    value: str
    extra: Mapping[str, Any]
    revision: Mark | None = None
    """Set: keep this revision; None: take a new mark."""


class MarkList:
    """All marks of the run that this window knows of, in order of run time."""

    def __init__(
        self, keys: Mapping[str, str], *, first: float | None = None, step: float = 1.0
    ) -> None:
        self.keys = dict(keys)
        """Key → kind."""
        self.first = first
        self.step = step
        self.entries: list[Entry] = []
        self.outbox: deque[MarkRequest] = deque()
        self.hint = ""
        """What the crew should know about the last press, in words."""
        self._numbers = itertools.count(1)
        self._last_press: dict[str, int] = {}
        self._revisions: dict[tuple[str, int], Mark] = {}

    # ------------------------------------------------------------------ what the crew does

    def press(self, key: str, keyed_ns: int, run_time_s: float) -> Entry | None:
        """A key went down at this instant (monotonic, and as run time); None: no mark key."""
        kind = self.keys.get(key)
        if kind is None:
            return None
        extra: dict[str, Any] = {}
        self.hint = ""
        before = self._last_press.get(key)
        if before is not None and 0 <= (keyed_ns - before) / 1e9 < CLOSE_S:
            spacing = (keyed_ns - before) / 1e9
            extra["spacing_s"] = round(spacing, 4)
            title = find_kind(kind).title
            self.hint = (
                f"{title} keyed twice within {spacing:.2f} s: both are kept; withdraw one"
                " if it was not meant"
            )
        self._last_press[key] = keyed_ns
        value = self.next_milepost() if kind == "milepost" else ""
        number = next(self._numbers)
        mark = Mark(
            mark_id=f"pending-{number}", kind=kind, t_s=run_time_s, value=value, extra=extra
        )
        entry = Entry(number=number, mark=mark, state=PENDING, keyed_ns=keyed_ns, busy=True)
        self._insert(entry)
        self.outbox.append(MarkRequest(number, kind, keyed_ns, value, extra))
        return entry

    def fill_in(self, entry: Entry, text: str) -> None:
        """Take what was typed for a mark: its value, then after a semicolon free words.

        Raises
        ------
        MarkValueError
            Not what this kind of mark allows; nothing is changed.
        """
        value, semicolon, note = text.partition(";")
        changes = {"value": check_value(entry.mark.kind, value)}
        if semicolon:
            changes["note"] = " ".join(note.split())[:4000]
        self._change(entry, changes)

    def withdraw(self, entry: Entry) -> None:
        """Withdraw a mark, or bring a withdrawn one back: a new revision either way."""
        self._change(entry, {"withdrawn": not entry.shown.withdrawn})

    def turn_count(self) -> None:
        """Mileposts count the other way from now on."""
        self.step = -self.step

    def next_milepost(self) -> str:
        """Number the next milepost mark will carry; empty while none is known."""
        return next_milepost((e.shown for e in self.entries), first=self.first, step=self.step)

    def set_next_milepost(self, number: float) -> None:
        """The next post is this one: only possible before one was keyed; then correct that."""
        self.first = number

    # ------------------------------------------------------------------ what comes back

    def answered(self, number: int, mark: Mark) -> None:
        """The recording has this revision durably."""
        entry = self._numbered(number)
        self._keep(mark)
        if entry is None:
            return
        twin = next((e for e in self.entries if e.mark.mark_id == mark.mark_id), None)
        if twin is not None and twin is not entry:
            # A refresh listed the mark before its own answer came.
            self.entries.remove(twin)
        entry.mark, entry.state, entry.problem, entry.busy = mark, TAKEN, "", False
        kept = mark.to_dict()
        entry.wanted = {k: v for k, v in entry.wanted.items() if kept[k] != v}
        self._send(entry)
        self._sort()

    def refused(self, number: int, why: str) -> None:
        """The recording refused the request and says why."""
        entry = self._numbered(number)
        if entry is None:
            return
        entry.busy, entry.problem = False, why
        entry.wanted = {}
        if entry.mark.mark_id.startswith("pending-"):
            entry.state = REFUSED

    def lost(self, number: int, why: str) -> None:
        """The recording did not answer; whether it has the request is not known."""
        entry = self._numbered(number)
        if entry is not None:
            entry.busy, entry.problem = False, why
            if entry.mark.mark_id.startswith("pending-"):
                entry.state = UNSURE

    def refresh(self, revisions: Sequence[Mark], *, started_monotonic_ns: int = 0) -> None:
        """Take up marks the recording has, of other windows or from before this one."""
        for mark in revisions:
            self._keep(mark)
            same = next((e for e in self.entries if e.mark.mark_id == mark.mark_id), None)
            if same is None:
                same = self._unsure_twin(mark, started_monotonic_ns)
                if same is not None:
                    same.mark, same.state, same.problem = mark, TAKEN, ""
                    continue
            if same is None:
                number = next(self._numbers)
                self._insert(Entry(number=number, mark=mark, state=TAKEN))
            elif mark.revision > same.mark.revision:
                same.mark = mark
        self._sort()

    def send_again(self) -> None:
        """The recording is there again: ask anew for what never got an answer."""
        for entry in self.entries:
            if entry.state == UNSURE and not entry.busy:
                entry.state, entry.busy, entry.problem = PENDING, True, ""
                mark = entry.mark
                request = MarkRequest(
                    entry.number, mark.kind, entry.keyed_ns, mark.value, dict(mark.extra)
                )
                self.outbox.append(request)
            elif entry.state == TAKEN:
                self._send(entry)

    # ------------------------------------------------------------------ for the screen

    def visible(self) -> list[Entry]:
        """Marks to draw: all that are not withdrawn."""
        return [e for e in self.entries if not e.shown.withdrawn]

    def revisions(self) -> list[Mark]:
        """Every revision known, in order of mark and number."""
        return [self._revisions[key] for key in sorted(self._revisions)]

    def waiting_s(self, now_ns: int) -> float:
        """How long the oldest unanswered press has waited."""
        ages = [now_ns - e.keyed_ns for e in self.entries if e.state == PENDING and e.keyed_ns]
        return max(ages, default=0) / 1e9

    # ------------------------------------------------------------------ inside

    def _change(self, entry: Entry, changes: Mapping[str, Any]) -> None:
        kept = entry.mark.to_dict()
        entry.wanted = {
            k: v for k, v in {**entry.wanted, **changes}.items() if kept.get(k) != v
        }
        entry.problem = ""
        self._send(entry)

    def _send(self, entry: Entry) -> None:
        """Ask for the next revision, one at a time: each must follow the newest one held."""
        if entry.busy or not entry.wanted or entry.state != TAKEN:
            return
        entry.busy = True
        mark = entry.mark.revised(**entry.wanted, entered_utc_ns=time.time_ns())
        request = MarkRequest(entry.number, mark.kind, 0, mark.value, {}, revision=mark)
        self.outbox.append(request)

    def _keep(self, mark: Mark) -> None:
        self._revisions[mark.mark_id, mark.revision] = mark

    def _numbered(self, number: int) -> Entry | None:
        return next((e for e in reversed(self.entries) if e.number == number), None)

    def _unsure_twin(self, mark: Mark, started_ns: int) -> Entry | None:
        """A press that got no answer but is this very mark: same kind, same instant."""
        for entry in self.entries:
            if entry.state == UNSURE and entry.mark.kind == mark.kind and mark.revision == 0:
                t_s = (entry.keyed_ns - started_ns) / 1e9
                if abs(t_s - mark.t_s) < 1e-6:
                    return entry
        return None

    def _insert(self, entry: Entry) -> None:
        self.entries.append(entry)
        self._sort()

    def _sort(self) -> None:
        self.entries.sort(key=lambda e: (e.mark.t_s, e.number))


def _known(kind: str) -> bool:
    try:
        find_kind(kind)
    except MarkValueError:
        return False
    return True
