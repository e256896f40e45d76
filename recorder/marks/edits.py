"""Marks after the run: added, corrected, moved, withdrawn and brought back, each a revision.

What makes a revision durable is not here; see :mod:`recorder.run_file.companion.companion`.
"""

from __future__ import annotations

import math
import time
import uuid
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any, Final

from recorder.marks.grammar import LONGEST_NOTE
from recorder.marks.kinds import Kind, MarkError, find_kind
from recorder.marks.mark import Mark, newest
from recorder.marks.values import parse

__all__ = ["MarkEditError", "MarkEdits", "UnchangedError", "short_ids"]

SHORTEST_ID: Final = 8


class MarkEditError(MarkError):
    """The mark cannot be changed so; one line."""


class UnchangedError(MarkEditError):
    """The mark is already as it is wanted: nothing to keep."""


class MarkEdits:
    """Makes the next revision of the marks of one run; keeps nothing itself."""

    def __init__(
        self,
        revisions: Iterable[Mark],
        *,
        duration_s: float,
        by: str,
        software: str,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """``revisions`` are all there are of the run and of its companion."""
        self._newest = newest(revisions)
        # Marks of a zero before the run lie before run time 0.
        self._from_s = min((m.t_s for m in self._newest.values()), default=0.0)
        self._from_s, self._to_s = min(self._from_s, 0.0), duration_s
        self._by, self._software, self._utc_ns = by, software, utc_ns

    def find(self, beginning: str) -> Mark:
        """Newest revision of the one mark whose id begins so.

        Raises
        ------
        MarkEditError
            None does, or more than one.
        """
        found = [m for i, m in self._newest.items() if i.startswith(beginning.lower())]
        if len(found) == 1 and beginning:
            return found[0]
        if found:
            ids = ", ".join(sorted(m.mark_id for m in found)[:4])
            msg = f"{len(found)} marks begin with {beginning!r} ({ids} …); give more of the id"
        else:
            msg = f"no mark begins with {beginning[:40]!r}; testcar marks RUN lists them"
        raise MarkEditError(msg)

    def add(self, kind: str, t_s: float, value: str = "", note: str = "") -> Mark:
        """A mark that was not keyed on the way.

        Raises
        ------
        MarkError
            Unknown kind, a value it does not allow, or an instant outside the run.
        """
        known = find_kind(kind)
        mark = Mark(
            mark_id=uuid.uuid4().hex,
            kind=known,
            t_s=self._instant(t_s),
            value=parse(known, value).text,
            note=_note(note),
        )
        return self._stamped(mark)

    def correct(
        self,
        mark: Mark,
        *,
        kind: str | None = None,
        value: str | None = None,
        note: str | None = None,
    ) -> Mark:
        """Another kind, value or note; None leaves each as it is, also one that does not read.

        Raises
        ------
        MarkError
            The value is not what the kind allows; the mark is withdrawn, or is so already.
        """
        changes: dict[str, Any] = {} if note is None else {"note": _note(note)}
        if kind is not None or value is not None:
            known = mark.kind if kind is None else find_kind(kind)
            if not isinstance(known, Kind):
                msg = f"{known!r} is a kind of a newer version; correct it with that one"
                raise MarkEditError(msg)
            text = mark.value if value is None else value
            changes |= {"kind": known, "value": parse(known, text).text}
        return self._revised(mark, changes)

    def move(self, mark: Mark, t_s: float) -> Mark:
        """Another instant, run time in seconds.

        Raises
        ------
        MarkEditError
            Outside the run; or the mark is withdrawn, or stands there already.
        """
        return self._revised(mark, {"t_s": self._instant(t_s)})

    def withdraw(self, mark: Mark) -> Mark:
        """No reader shows it any more; it stays in the history."""
        return self._turned(mark, withdrawn=True)

    def restore(self, mark: Mark) -> Mark:
        """Bring a withdrawn mark back."""
        return self._turned(mark, withdrawn=False)

    def _turned(self, mark: Mark, *, withdrawn: bool) -> Mark:
        if mark.withdrawn == withdrawn:
            msg = (
                f"mark {mark.mark_id} is {'' if withdrawn else 'not '}withdrawn: nothing to do"
            )
            raise UnchangedError(msg)
        return self._stamped(mark.revised(withdrawn=withdrawn))

    def _revised(self, mark: Mark, changes: dict[str, Any]) -> Mark:
        if mark.withdrawn:
            msg = f"mark {mark.mark_id} is withdrawn; restore it first"
            raise MarkEditError(msg)
        if all(getattr(mark, name) == wanted for name, wanted in changes.items()):
            msg = f"mark {mark.mark_id} is so already; nothing is changed"
            raise UnchangedError(msg)
        return self._stamped(mark.revised(**changes))

    def _stamped(self, mark: Mark) -> Mark:
        return replace(
            mark, by=self._by, software=self._software, entered_utc_ns=self._utc_ns()
        )

    def _instant(self, t_s: float) -> float:
        if not math.isfinite(t_s) or not self._from_s <= t_s <= self._to_s:
            msg = (
                f"instant {t_s:g} s lies outside the run; allowed: run time from"
                f" {self._from_s:.1f} to {self._to_s:.1f} s"
            )
            raise MarkEditError(msg)
        return t_s


def short_ids(revisions: Iterable[Mark]) -> dict[str, str]:
    """``mark_id`` → its beginning, just long enough to part the marks."""
    ids = {m.mark_id for m in revisions}
    length = SHORTEST_ID
    while len({i[:length] for i in ids}) < len(ids):
        length += 1
    return {i: i[:length] for i in ids}


def _note(text: str) -> str:
    note = " ".join(text.split())
    if len(note) > LONGEST_NOTE or not note.isprintable():
        msg = f"note: at most {LONGEST_NOTE} printable characters, got {len(note)}"
        raise MarkEditError(msg)
    return note
