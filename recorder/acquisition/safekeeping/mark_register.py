"""The marks of a running recording: checked, made durable, then acknowledged."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from recorder.acquisition.control.requests import NotKeptYetError
from recorder.keeping.errors import NotKeptError
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
PATIENCE_S: Final = 2.0
"""After so long whoever keyed is told that the mark is not kept yet; nobody waits in the dark."""
AGAIN_S: Final = 0.2
"""Between the tries of a commit that fails."""
END_S: Final = 30.0
"""What is on its way at the stop is tried for so long."""
TICK_S: Final = 1.0


class MarkRefusedError(ValueError):
    """The mark cannot be kept as it is; one line."""


class _Waiting:
    """A revision on its way to the journal."""

    def __init__(self, mark: Mark) -> None:
        self.mark = mark
        self.settled = threading.Event()
        self.error: Exception | None = None
        """Why it was not kept; None, once settled: it is."""
        self.why = "the disk does not answer"
        """Why it is not kept yet."""


class MarkRegister:
    """All revisions of the run so far. Any thread may call.

    ``commit`` makes one revision durable and returns only then; it is called by one thread at a
    time, that is there while something waits, and again where it raises ``NotKeptError``. Whoever
    keys is answered within ``patience_s``: kept, refused, or not kept yet.

    ``open_ns`` is the earliest key-down there can be: while a zero is taken before the run, that
    is before run time 0.
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
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._commit = commit
        self._clock = clock
        self._open_ns = open_ns
        self._software = software
        self._by = by
        self._now_ns = now_ns
        self._utc_ns = utc_ns
        self._clocks_apart = clocks_apart
        self._patience_s = patience_s
        self._guard = threading.Lock()
        self._revisions: list[Mark] = []
        self._newest: dict[str, Mark] = {}
        self._last_t: dict[str, float] = {}
        self._queue: deque[_Waiting] = deque()
        self._worker: threading.Thread | None = None
        self._working = False
        """Whether the worker takes what is put into the queue now."""
        self._given_up = threading.Event()
        self._closed = False
        self.not_kept: list[Mark] = []
        """Revisions that could not be kept, whether or not anybody was still there to be told."""

    def __len__(self) -> int:
        return len(self._revisions)

    @property
    def waiting(self) -> int:
        """Revisions keyed and not kept yet."""
        return len(self._queue)

    def since(self, number: int) -> list[Mark]:
        """Revisions from that number on, in the order they were kept."""
        return self._revisions[number:]

    def close(
        self, *, patience_s: float = END_S, waiting: Callable[[], None] = lambda: None
    ) -> int:
        """Take no more, because the journal is about to be closed; how many are kept.

        What is on its way is tried for so long; ``waiting`` is called now and then.
        """
        with self._guard:
            self._closed = True
            self._set_to_work()
            worker = self._worker if self._working else None
        deadline = time.monotonic() + patience_s
        while worker is not None and worker.is_alive():
            worker.join(min(TICK_S, max(deadline - time.monotonic(), 0.01)))
            if time.monotonic() >= deadline:
                self._given_up.set()
            waiting()
        if worker is None and self._queue:
            self._given_up.set()
            self._work()
        return len(self._revisions)

    def take(self, keyed: KeyedMark, at_s: float | None = None) -> Mark:
        """Keep a mark just keyed. The same one again (an answer got lost) is kept once.

        ``at_s`` is its run time where whoever keys goes by the run's own clock.

        Raises
        ------
        MarkRefusedError, MarkError
            Nothing was kept.
        NotKeptYetError
            It could not be kept so far, and is tried on; asked again it is the same mark.
        """
        with self._guard:
            waiting = self._waiting_of(keyed.mark_id)
            if waiting is None:
                if (held := self._newest.get(keyed.mark_id)) is not None:
                    return held
                self._must_be_open()
                waiting = self._put(self._made(keyed, at_s))
            self._set_to_work()
        return self._answer(waiting)

    def _made(self, keyed: KeyedMark, at_s: float | None) -> Mark:
        t_s = self._instant(keyed.keyed_monotonic_ns) if at_s is None else at_s
        kind = find_kind(keyed.kind)
        extra = dict(keyed.extra)
        if 0.0 <= t_s - self._last_t.get(kind, -math.inf) < CLOSE_S:
            extra[SINCE_LAST] = round(t_s - self._last_t[kind], 4)
        return Mark(
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

    def revise(self, revision: MarkRevision) -> Mark:
        """Keep the next revision of a mark. The same one again is kept once.

        Raises
        ------
        MarkRefusedError, MarkError
            No such mark, not the next revision, or a value of the wrong form.
        NotKeptYetError
            As :meth:`take`.
        """
        asked = revision.mark
        with self._guard:
            waiting = self._waiting_of(asked.mark_id)
            held = self._newest.get(asked.mark_id) if waiting is None else waiting.mark
            if held is None:
                self._must_be_open()
                msg = f"no mark {asked.mark_id} in this run"
                raise MarkRefusedError(msg)
            mark = self._revised(asked, held)
            again = replace(mark, entered_utc_ns=held.entered_utc_ns) == held
            if again and waiting is None:
                return held
            if not again or waiting is None:
                self._must_be_open()
                self._must_follow(asked, held)
                waiting = self._put(mark)
            self._set_to_work()
        return self._answer(waiting)

    def _revised(self, asked: Mark, held: Mark) -> Mark:
        kind = find_kind(asked.kind or held.kind)
        return replace(
            asked,
            kind=kind,
            value=parse(kind, asked.value).text,
            by=asked.by or self._by,
            entered_utc_ns=self._utc_ns(),
            software=self._software,
        )

    def _must_follow(self, asked: Mark, held: Mark) -> None:
        if asked.revision != held.revision + 1:
            msg = (
                f"the next revision of this mark is {held.revision + 1},"
                f" got {asked.revision}; somebody else changed it"
            )
            raise MarkRefusedError(msg)
        earliest = self._run_s(self._open_ns)
        # A correction that leaves the instant as it was taken is of no other one.
        latest = max(self._run_s(self._now_ns()), held.t_s)
        if not earliest <= asked.t_s <= latest:
            msg = (
                f"a mark lies between the recording's start and now, {earliest:.1f} to"
                f" {latest:.1f} s of run time, got {asked.t_s:g}"
            )
            raise MarkRefusedError(msg)

    # ------------------------------------------------------------------ on its way

    def _waiting_of(self, mark_id: str) -> _Waiting | None:
        """The newest revision of a mark that is not kept yet."""
        return next((w for w in reversed(self._queue) if w.mark.mark_id == mark_id), None)

    def _put(self, mark: Mark) -> _Waiting:
        """On its way; with the guard held."""
        waiting = _Waiting(mark)
        self._queue.append(waiting)
        if not mark.revision:
            self._last_t[mark.kind] = mark.t_s
        return waiting

    def _set_to_work(self) -> None:
        """See that what waits is worked on; with the guard held."""
        if self._working or not self._queue:
            return
        worker = threading.Thread(target=self._work, name="marks", daemon=True)
        try:
            worker.start()
        except RuntimeError as error:
            # No thread to be had just now: whoever asks next tries again.
            self._queue[-1].why = str(error)
            return
        self._worker, self._working = worker, True

    def _answer(self, waiting: _Waiting) -> Mark:
        if not waiting.settled.wait(self._patience_s):
            msg = f"not kept yet ({waiting.why}); it is tried again until it is"
            raise NotKeptYetError(msg)
        if waiting.error is not None:
            raise waiting.error
        return waiting.mark

    def _work(self) -> None:
        """Keep what waits, in the order it came; ends when nothing does."""
        while True:
            with self._guard:
                if not self._queue:
                    self._working = False
                    return
                waiting = self._queue[0]
            error = self._try(waiting)
            with self._guard:
                self._queue.popleft()
                self._settle(waiting, error)
            waiting.settled.set()

    def _try(self, waiting: _Waiting) -> Exception | None:
        if not self._follows(waiting.mark):
            return NotKeptError(None, "an earlier revision of this mark could not be kept")
        last = False
        while True:
            try:
                self._commit(waiting.mark)
            except NotKeptError as error:
                waiting.why = error.strerror or str(error)
                if last:
                    return error
                # One more even then: a try that failed may be on the disk, which the next finds.
                last = self._given_up.wait(AGAIN_S)
            except Exception as error:  # noqa: BLE001 - told to whoever keyed, in _answer
                return error
            else:
                return None

    def _follows(self, mark: Mark) -> bool:
        """A revision without the one it corrects says nothing that can be believed."""
        held = self._newest.get(mark.mark_id)
        return mark.revision == 0 or (held is not None and held.revision == mark.revision - 1)

    def _settle(self, waiting: _Waiting, error: Exception | None) -> None:
        mark, waiting.error = waiting.mark, error
        # Keyed again after a refusal it is another try of the same.
        name = (mark.mark_id, mark.revision)
        self.not_kept = [m for m in self.not_kept if (m.mark_id, m.revision) != name]
        if error is None:
            self._revisions.append(mark)
            self._newest[mark.mark_id] = mark
        else:
            self.not_kept.append(mark)

    def _must_be_open(self) -> None:
        if self._closed:
            msg = "the run is being sealed: it takes no more marks"
            raise MarkRefusedError(msg)

    def _run_s(self, monotonic_ns: int) -> float:
        return self._clock.run_s(monotonic_ns)

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
