"""The worker that talks to the recording: marks, state, zero, stop. It may wait; nobody else
does, so a recording that hangs cannot freeze the window."""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from recorder.acquisition.control.client import RefusedError, SessionError, SessionLostError

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.acquisition.control.client import LiveSession
    from recorder.window.model.crew.mark_list import MarkRequest

__all__ = ["ControlWorker", "Word"]

STATUS_EVERY_S: Final = 0.5
AGAIN_EVERY_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Word:
    """One answer. ``what``: ``mark`` (number, Mark), ``refused`` (number, text), ``unanswered``
    (number, text), ``status``, ``marks`` (list), ``lost`` (text), ``back``, ``zero`` (events),
    ``stopping``, ``trouble`` (text)."""

    what: str
    content: Any = None
    number: int = 0


class ControlWorker:
    """Carries requests one after the other, marks before states.

    :meth:`step` does one round and may be called without a thread; :meth:`start` runs it.
    """

    def __init__(
        self, session: LiveSession, *, attach_again: Callable[[], LiveSession] | None = None
    ) -> None:
        self.words: queue.SimpleQueue[Word] = queue.SimpleQueue()
        self._session = session
        self._attach_again = attach_again
        self._orders: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._asked = threading.Event()
        self._stop = threading.Event()
        self._marks_seen = 0
        self._lost = False
        self._next_status = 0.0
        self._threads: list[threading.Thread] = []

    # ------------------------------------------------------------------ orders, any thread

    def carry(self, request: MarkRequest) -> None:
        """Take a mark or keep a revision."""
        self._order("mark", request)

    def stop_recording(self) -> None:
        """Ask for a clean stop."""
        self._order("stop", None)

    def take_zero(self, seconds: float) -> None:
        """Take the zero of every force channel; marks go on meanwhile."""
        thread = threading.Thread(
            target=self._zero, args=(seconds,), name="window-zero", daemon=True
        )
        self._threads.append(thread)
        thread.start()

    def _order(self, what: str, content: Any) -> None:  # noqa: ANN401
        self._orders.put((what, content))
        self._asked.set()

    # ------------------------------------------------------------------ the worker

    def step(self, *, now_s: float | None = None) -> None:
        """Carry everything that waits; then, when it is time, ask for the state."""
        now = time.monotonic() if now_s is None else now_s
        while not self._orders.empty():
            what, content = self._orders.get()
            self._carry_mark(content) if what == "mark" else self._ask_stop()
        if now < self._next_status:
            return
        if self._lost:
            self._next_status = now + AGAIN_EVERY_S
            self._try_again()
        else:
            self._next_status = now + STATUS_EVERY_S
            self._ask_status()

    def _carry_mark(self, request: MarkRequest) -> None:
        try:
            if request.revision is not None:
                mark = self._session.revise(request.revision)
            else:
                mark = self._session.mark(
                    request.kind, request.keyed_ns, request.value, extra=request.extra
                )
        except RefusedError as error:
            self._say("refused", str(error), request.number)
        except SessionLostError as error:
            self._say("unanswered", str(error), request.number)
            self._note_lost(error)
        else:
            self._say("mark", mark, request.number)

    def _ask_stop(self) -> None:
        try:
            self._session.stop("stopped from the window")
        except RefusedError as error:
            self._say("trouble", f"not stopped: {error}")
        except SessionLostError as error:
            self._note_lost(error)
        else:
            self._say("stopping")

    def _ask_status(self) -> None:
        try:
            status = self._session.status()
            self._say("status", status)
            if status.marks != self._marks_seen:
                marks = self._session.marks(self._marks_seen)
                self._marks_seen += len(marks)
                self._say("marks", marks)
        except RefusedError as error:
            self._say("trouble", str(error))
        except SessionLostError as error:
            self._note_lost(error)

    def _zero(self, seconds: float) -> None:
        try:
            self._say("zero", self._session.take_zero(seconds))
        except (RefusedError, SessionError) as error:
            self._say("trouble", f"zero not taken: {error}")

    def _note_lost(self, error: SessionLostError) -> None:
        if not self._lost:
            self._lost = True
            self._say("lost", str(error))

    def _try_again(self) -> None:
        if self._attach_again is None:
            return
        try:
            session = self._attach_again()
        except OSError:
            return  # told once already; the screen says since when
        if session.header.run_id != self._session.header.run_id:
            session.close()
            return
        self._session.close()
        self._session, self._lost, self._marks_seen = session, False, 0
        self._ask_status()
        self._say("back")

    def _say(self, what: str, content: Any = None, number: int = 0) -> None:  # noqa: ANN401
        self.words.put(Word(what, content, number))

    # ------------------------------------------------------------------ thread

    def start(self) -> None:
        """Run :meth:`step` in a thread of its own until :meth:`close`."""
        thread = threading.Thread(target=self._run, name="window-clerk", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            self._asked.clear()
            try:
                self.step()
            except Exception as bug:  # noqa: BLE001 - told on the screen; keys must go on
                self._say("trouble", f"{type(bug).__name__}: {bug}")
            self._asked.wait(0.05)

    def close(self) -> None:
        """Stop; a request that hangs is left to its daemon thread."""
        self._stop.set()
        self._asked.set()
        for thread in self._threads:
            thread.join(timeout=1.0)
        self._session.close()
