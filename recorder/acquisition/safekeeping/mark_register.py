"""The marks of a running recording: checked, made durable, then acknowledged."""

from __future__ import annotations

import math
import threading
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from recorder.machine.clocks import now_ns
from recorder.marks.kinds import find_kind
from recorder.marks.mark import CLOSE_S, SINCE_LAST, Mark
from recorder.marks.values import parse

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.acquisition.control.requests import KeyedMark, MarkRevision
    from recorder.machine.clocks import RunClock

__all__ = ["MarkRefusedError", "MarkRegister"]

_AHEAD_NS: Final = 2_000_000
"""A key-down may not lie in the future; clocks of one machine agree better than this."""


class MarkRefusedError(ValueError):
    """The mark cannot be kept as it is; one line."""


class MarkRegister:
    """All revisions of the run so far. Any thread may call.

    ``commit`` makes one revision durable and returns only then. ``open_ns`` is the earliest
    key-down there can be: while a zero is taken before the run, that is before run time 0.
    With ``clocks_apart`` the run's time is simulated and goes no faster than the computer's clock
    that keys are timed by: a key-down after its now is of now.
    """

    def __init__(
        self,
        commit: Callable[[Mark], None],
        *,
        clock: RunClock,
        open_ns: int,
        software: str,
        by: str = "",
        now_ns: Callable[[], int] = now_ns,
        utc_ns: Callable[[], int] = time.time_ns,
        clocks_apart: bool = False,
    ) -> None:
        self._commit = commit
        self._clock = clock
        self._open_ns = open_ns
        self._software = software
        self._by = by
        self._now_ns = now_ns
        self._utc_ns = utc_ns
        self._clocks_apart = clocks_apart
        self._guard = threading.Lock()
        self._revisions: list[Mark] = []
        self._newest: dict[str, Mark] = {}
        self._last_t: dict[str, float] = {}
        self._closed = False

    def __len__(self) -> int:
        return len(self._revisions)

    def since(self, number: int) -> list[Mark]:
        """Revisions from that number on, in the order they were kept."""
        return self._revisions[number:]

    def close(self) -> int:
        """Take no more, because the journal is about to be closed; how many are kept."""
        with self._guard:
            self._closed = True
        return len(self._revisions)

    def take(self, keyed: KeyedMark, at_s: float | None = None) -> Mark:
        """Keep a mark just keyed. The same one again (an answer got lost) is kept once.

        ``at_s`` is its run time where whoever keys goes by the run's own clock.

        Raises
        ------
        MarkRefusedError, MarkError
            Nothing was kept.
        """
        with self._guard:
            if (held := self._newest.get(keyed.mark_id)) is not None:
                return held
            self._must_be_open()
            t_s = self._instant(keyed.keyed_monotonic_ns) if at_s is None else at_s
            kind = find_kind(keyed.kind)
            extra = dict(keyed.extra)
            if 0.0 <= t_s - self._last_t.get(kind, -math.inf) < CLOSE_S:
                extra[SINCE_LAST] = round(t_s - self._last_t[kind], 4)
            mark = Mark(
                mark_id=keyed.mark_id,
                kind=kind,
                t_s=t_s,
                value=parse(kind, keyed.value).text,
                note=keyed.note,
                by=keyed.by or self._by,
                entered_utc_ns=self._utc_ns(),
                software=self._software,
                extra=extra,
            )
            self._keep(mark)
        return mark

    def revise(self, revision: MarkRevision) -> Mark:
        """Keep the next revision of a mark.

        Raises
        ------
        MarkRefusedError, MarkError
            No such mark, not the next revision, or a value of the wrong form.
        """
        asked = revision.mark
        with self._guard:
            self._must_be_open()
            held = self._newest.get(asked.mark_id)
            if held is None:
                msg = f"no mark {asked.mark_id} in this run"
                raise MarkRefusedError(msg)
            if asked.revision != held.revision + 1:
                msg = (
                    f"the next revision of this mark is {held.revision + 1},"
                    f" got {asked.revision}; somebody else changed it"
                )
                raise MarkRefusedError(msg)
            earliest, latest = self._run_s(self._open_ns), self._run_s(self._now_ns())
            if not earliest <= asked.t_s <= latest:
                msg = (
                    f"a mark lies between the recording's start and now, {earliest:.1f} to"
                    f" {latest:.1f} s of run time, got {asked.t_s:g}"
                )
                raise MarkRefusedError(msg)
            kind = find_kind(asked.kind or held.kind)
            mark = replace(
                asked,
                kind=kind,
                value=parse(kind, asked.value).text,
                by=asked.by or self._by,
                entered_utc_ns=self._utc_ns(),
                software=self._software,
            )
            self._keep(mark)
        return mark

    def _must_be_open(self) -> None:
        if self._closed:
            msg = "the run is being sealed: it takes no more marks"
            raise MarkRefusedError(msg)

    def _run_s(self, monotonic_ns: int) -> float:
        return self._clock.run_s(monotonic_ns)

    def _keep(self, mark: Mark) -> None:
        self._commit(mark)
        self._revisions.append(mark)
        self._newest[mark.mark_id] = mark
        if not mark.revision:
            self._last_t[mark.kind] = mark.t_s

    def _instant(self, keyed_ns: int) -> float:
        now = self._now_ns()
        if keyed_ns < self._open_ns:
            msg = f"keyed {(self._open_ns - keyed_ns) / 1e9:.1f} s before the recording began"
            raise MarkRefusedError(msg)
        if self._clocks_apart:
            keyed_ns = min(keyed_ns, now)
        if keyed_ns > now + _AHEAD_NS:
            ahead = (keyed_ns - now) / 1e9
            msg = f"keyed {ahead:.3g} s in the future; is the clock another machine's?"
            raise MarkRefusedError(msg)
        return self._run_s(keyed_ns)
