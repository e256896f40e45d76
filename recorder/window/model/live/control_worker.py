"""The worker that talks to the recording: marks, state, checks, stop. It may wait; nobody else
does, so a recording that hangs cannot freeze the window."""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from recorder.acquisition.control.client import SessionLostError
from recorder.acquisition.control.exchanges import RequestRefusedError
from recorder.acquisition.control.requests import (
    KeyedMark,
    MarkRevision,
    NotKeptYetError,
    StopRequest,
)
from recorder.acquisition.control.session_files import SessionError
from recorder.acquisition.control.status import SessionStatus
from recorder.marks.mark import Mark
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.acquisition.control.client import LiveSession

__all__ = [
    "ContactBack",
    "ContactLost",
    "ControlReport",
    "ControlWorker",
    "MarkKept",
    "MarkRefused",
    "MarkUnanswered",
    "MarkWaits",
    "MarksListed",
    "Order",
    "ShuntRead",
    "StatusReport",
    "StopAccepted",
    "Trouble",
    "ZeroTaken",
]  # fmt: skip

STATUS_EVERY_S: Final = 0.5
AGAIN_EVERY_S: Final = 1.0

Order: TypeAlias = KeyedMark | MarkRevision | StopRequest
"""What the worker carries, in the order given."""


@dataclass(frozen=True, slots=True)
class MarkKept:
    """This revision is durable."""

    mark: Mark


@dataclass(frozen=True, slots=True)
class MarkRefused:
    """The recording does not take it, and says why."""

    mark_id: str
    why: str


@dataclass(frozen=True, slots=True)
class MarkWaits:
    """The recording has it and cannot keep it yet; it tries on, and lists it once it is kept."""

    mark_id: str
    why: str


@dataclass(frozen=True, slots=True)
class MarkUnanswered:
    """Sent, but nobody answered: kept or not, nobody knows."""

    mark_id: str
    why: str


@dataclass(frozen=True, slots=True)
class MarksListed:
    """Revisions that came since the last list, of whichever window."""

    marks: list[Mark]


@dataclass(frozen=True, slots=True)
class StatusReport:
    """State of the recording."""

    status: SessionStatus


@dataclass(frozen=True, slots=True)
class ContactLost:
    """The recording cannot be reached."""

    why: str


@dataclass(frozen=True, slots=True)
class ContactBack:
    """It can be reached again."""


@dataclass(frozen=True, slots=True)
class ZeroTaken:
    """The zeros kept, accepted or refused."""

    zeros: list[Zero]


@dataclass(frozen=True, slots=True)
class ShuntRead:
    """One step of a shunt check, kept."""

    check: ShuntCheck


@dataclass(frozen=True, slots=True)
class StopAccepted:
    """The recording will stop and seal."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something else the crew should know."""

    text: str


ControlReport: TypeAlias = (
    MarkKept | MarkRefused | MarkWaits | MarkUnanswered | MarksListed | StatusReport | ContactLost
    | ContactBack | ZeroTaken | ShuntRead | StopAccepted | Trouble
)  # fmt: skip


class ControlWorker:
    """Carries orders one after the other, marks before states.

    :meth:`step` does one round and may be called without a thread; :meth:`start` runs it.
    """

    def __init__(
        self, session: LiveSession, *, attach_again: Callable[[], LiveSession] | None = None
    ) -> None:
        self.reports: queue.SimpleQueue[ControlReport] = queue.SimpleQueue()
        self._session = session
        self._attach_again = attach_again
        self._orders: queue.SimpleQueue[Order | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._marks_seen = 0
        self._lost = False
        self._next_status = 0.0
        self._threads: list[threading.Thread] = []

    def carry(self, order: Order) -> None:
        """Hand over an order; any thread, never waits."""
        self._orders.put(order)

    def take_zero(self, seconds: float) -> None:
        """Take the zero of every force channel; marks go on meanwhile."""
        self._begin("window zero", lambda: self._zero(seconds))

    def read_shunt(self, step: ShuntStep, seconds: float, channel: str) -> None:
        """Read a channel for a step of a shunt check; marks go on meanwhile."""
        self._begin("window shunt check", lambda: self._shunt(step, seconds, channel))

    # ------------------------------------------------------------------ the worker

    def step(self, *, now_s: float | None = None) -> None:
        """Carry everything that waits; then, when it is time, ask for the state."""
        while not self._orders.empty():
            self._carry(self._orders.get())
        now = time.monotonic() if now_s is None else now_s
        if now < self._next_status:
            return
        if self._lost:
            self._next_status = now + AGAIN_EVERY_S
            self._try_again()
        else:
            self._next_status = now + STATUS_EVERY_S
            self._ask_status()

    def _carry(self, order: Order | None) -> None:
        match order:
            case KeyedMark():
                self._carry_mark(order.mark_id, lambda: self._session.take(order))
            case MarkRevision():
                self._carry_mark(order.mark.mark_id, lambda: self._session.revise(order.mark))
            case StopRequest():
                self._ask_stop(order)
            case None:
                return  # only to wake the thread

    def _carry_mark(self, mark_id: str, ask: Callable[[], Mark]) -> None:
        try:
            self.reports.put(MarkKept(ask()))
        except RequestRefusedError as error:
            self.reports.put(MarkRefused(mark_id, str(error)))
        except NotKeptYetError as error:
            self.reports.put(MarkWaits(mark_id, str(error)))
        except SessionLostError as error:
            self.reports.put(MarkUnanswered(mark_id, str(error)))
            self._note_lost(error)

    def _ask_stop(self, order: StopRequest) -> None:
        try:
            self._session.stop(order.reason)
        except RequestRefusedError as error:
            self.reports.put(Trouble(f"not stopped: {error}"))
        except SessionLostError as error:
            self._note_lost(error)
        else:
            self.reports.put(StopAccepted())

    def _ask_status(self) -> None:
        try:
            status = self._session.status()
            self.reports.put(StatusReport(status))
            if status.marks != self._marks_seen:
                marks = self._session.marks(self._marks_seen)
                self._marks_seen += len(marks)
                self.reports.put(MarksListed(marks))
        except RequestRefusedError as error:
            self.reports.put(Trouble(str(error)))
        except SessionLostError as error:
            self._note_lost(error)

    def _zero(self, seconds: float) -> None:
        try:
            self.reports.put(ZeroTaken(self._session.take_zero(seconds)))
        except (RequestRefusedError, SessionError) as error:
            self.reports.put(Trouble(f"zero not taken: {error}"))

    def _shunt(self, step: ShuntStep, seconds: float, channel: str) -> None:
        try:
            check = self._session.shunt_check(step, seconds, channel=channel)
        except (RequestRefusedError, SessionError) as error:
            self.reports.put(Trouble(f"no shunt check: {error}"))
        else:
            self.reports.put(ShuntRead(check))

    def _note_lost(self, error: SessionLostError) -> None:
        if not self._lost:
            self._lost = True
            self.reports.put(ContactLost(str(error)))

    def _try_again(self) -> None:
        if self._attach_again is None:
            return
        try:
            session = self._attach_again()
        except OSError:
            return  # reported once already; the screen says since when
        if session.header.run_id != self._session.header.run_id:
            session.close()
            return
        self._session.close()
        self._session, self._lost, self._marks_seen = session, False, 0
        self._ask_status()
        self.reports.put(ContactBack())

    # ------------------------------------------------------------------ threads

    def start(self) -> None:
        """Run :meth:`step` in a thread of its own until :meth:`close`."""
        self._begin("window control", self._run)

    def _begin(self, name: str, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self.step()
                left_s = self._next_status - time.monotonic()
                self._carry(self._orders.get(timeout=max(left_s, 0.0)))
            except queue.Empty:
                continue  # nothing was ordered: the state is due
            except Exception as bug:  # noqa: BLE001 - shown on the screen; keys must go on
                self.reports.put(Trouble(f"{type(bug).__name__}: {bug}"))

    def close(self) -> None:
        """Stop; a request that hangs is left to its daemon thread."""
        self._stop.set()
        self._orders.put(None)
        for thread in self._threads:
            thread.join(timeout=1.0)
        self._session.close()
