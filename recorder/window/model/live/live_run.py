"""One running recording as the window sees it: models and workers together. No Qt here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from calibration.quantities.printable import error_line
from recorder.acquisition.control.client import CHECK_S
from recorder.acquisition.control.requests import StopRequest
from recorder.machine.clocks import now_ns
from recorder.marks.kinds import keys_for
from recorder.run.checks.shunt_check import ShuntStep
from recorder.run.parts.states import DeviceState, FilerState, RunState
from recorder.sheets import TripSheet, parse_car_sheet, parse_trip_sheet
from recorder.window.model.crew.mark_list import EntryState, MarkList
from recorder.window.model.line.route_of_run import route_of_run
from recorder.window.model.live.calls import Calls
from recorder.window.model.live.control_worker import (
    ContactBack,
    ContactLost,
    ControlReport,
    ControlWorker,
    MarkKept,
    MarkRefused,
    MarksListed,
    MarkUnanswered,
    MarkWaits,
    ShuntRead,
    StatusReport,
    StopAccepted,
    Trouble,
    ZeroTaken,
)
from recorder.window.model.live.device_lines import Level, disk_line, not_told, silence_words
from recorder.window.model.live.lamp import lamp_of
from recorder.window.model.live.numerals import STALE_S, Alarm, Numerals
from recorder.window.model.live.ring_worker import RingWorker
from recorder.window.model.trace.pens import pens_of
from recorder.window.model.trace.trace_model import TraceModel

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from recorder.acquisition.control.client import LiveSession
    from recorder.acquisition.control.status import SessionStatus
    from recorder.track.placing.anchors import GnssFixes
    from recorder.window.model.crew.mark_list import EntryState, MarkList
    from recorder.window.model.line.route_ahead import RouteAhead

__all__ = ["Drawn", "LiveRun"]

SLOW_ANSWER_S: Final = 1.0
"""A mark not acknowledged for so long is an alarm."""
QUIET_STATUS_S: Final = 3.0
_SHUNT_IS: Final = {ShuntStep.OPEN: "OFF", ShuntStep.SHUNTED: "ON"}
MISSED_SHOWN_S: Final = 30.0
"""What a slow window missed is in the run: worth a look, not a lasting alarm."""
_CHUNKS_A_TICK: Final = 200
"""A backlog is taken up over several frames, so that the screen stays alive."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """When the newest sample of a device was in hand, for measuring the way to the screen."""

    device: str
    time_s: float
    received_s: float


class LiveRun:
    """Everything the screen shows. All methods are called by the window's thread."""

    def __init__(
        self,
        session: LiveSession,
        *,
        route_path: str | Path | None = None,
        attach_again: Callable[[], LiveSession] | None = None,
        calls: Calls | None = None,
    ) -> None:
        """Raises ``ValueError`` when the run's sheets or certificates do not read."""
        self.session = session
        self._calls = calls or Calls(None)
        self.header = session.header
        self.car = parse_car_sheet(self.header.car_sheet, source="car sheet of the run")
        self.trip = TripSheet(name=session.run_path.stem)
        if text := self.header.trip_sheet:
            self.trip = parse_trip_sheet(text, source="trip sheet of the run")
        self.pens = pens_of(self.header, self.car.pens)
        self.traces = TraceModel(self.pens, distance_channel=self._measuring("distance"))
        self.numerals = Numerals(self.pens)
        self.control = ControlWorker(session, attach_again=attach_again)
        self.marks = self._mark_list()
        self.status: SessionStatus | None = None
        self.status_ns = 0
        self.lost = ""
        """Why the recording cannot be reached; empty while it can."""
        self.state: RunState | None = None
        """As last reported; None before that."""
        self._stop_asked = False
        self.message = ""
        """The last thing the crew should read."""
        self.shunt_due = False
        """The cell has been read without the shunt: the reading with it comes next."""
        self.drawn: dict[str, Drawn] = {}
        self.caught_up = False
        """Whether all that the rings held when this window attached has been taken up."""
        self.route_problem = ""
        self.ahead = self._route_ahead(route_path)
        self._missed_ns = 0
        self._fixes: list[GnssFixes] = []
        """That came since the train was last placed."""
        self.ring_worker = RingWorker(session)

    def _route_ahead(self, route_path: str | Path | None) -> RouteAhead | None:
        try:
            return route_of_run(self.header, self.trip, self.session.run_path, route_path)
        except (OSError, ValueError) as error:
            self.route_problem = f"no profile: {error_line(error)}"
            return None

    def _mark_list(self) -> MarkList:
        posts = self.trip.mileposts
        return MarkList(
            keys_for(self.car.keys),
            send=self.control.carry,
            clock=self.header.clock,
            first=posts.first,
            step=posts.step,
        )

    # ------------------------------------------------------------------ life

    def start(self) -> None:
        """Start the workers."""
        self.ring_worker.start()
        self.control.start()

    def close(self) -> None:
        """Stop the workers and let go; the recording goes on."""
        self.ring_worker.close()
        self.control.close()

    def now_s(self, monotonic_ns: int | None = None) -> float:
        """Run time of now."""
        now = now_ns() if monotonic_ns is None else monotonic_ns
        return self.session.run_time_s(now)

    def due_s(self, monotonic_ns: int | None = None) -> float:
        """Run time up to which readings are due: now; the last that was heard of any device, once
        the run is ending, for nothing more comes then and nothing is missing, and where time is
        simulated, for the computer may be slower than it was to go."""
        now_s = self.now_s(monotonic_ns)
        ending = self.state is not None and self.state.is_ending
        if not (ending or self.header.simulated_speed is not None) or not self.drawn:
            return now_s
        return min(now_s, max(drawn.time_s for drawn in self.drawn.values()))

    @property
    def distance_age_s(self) -> float:
        """Since the wheel last told the distance; infinite before it ever did."""
        return self.due_s() - self.traces.distance_s

    @property
    def distance_is_stale(self) -> bool:
        """Whether the wheel has fallen silent: the train is no longer where it last said."""
        return self.traces.measures_distance and self.distance_age_s > STALE_S

    def shown_s(self) -> float:
        """Run time of what is on the screen; of now, while nothing has been drawn."""
        return self.traces.newest_s if self.traces.newest_s > 0.0 else self.now_s()

    def tick(self) -> None:
        """Take up what the workers brought. Never waits."""
        all_read = self.ring_worker.caught_up.is_set()
        for _ in range(_CHUNKS_A_TICK):
            if self.ring_worker.chunks.empty():
                self.caught_up |= all_read
                break
            chunk = self.ring_worker.chunks.get()
            self.traces.take(chunk)
            if self.ahead is not None:
                for t_s, distance_m in self.traces.distances(chunk):
                    self.ahead.follow(t_s, distance_m)
            if chunk.lost_blocks:
                self._missed_ns = now_ns()
            self.numerals.take(chunk)
            if chunk.fixes is not None:
                self._fixes.append(chunk.fixes)
            self.drawn[chunk.device] = Drawn(
                chunk.device, float(chunk.time_s[-1]), chunk.received_s
            )
        while not self.control.reports.empty():
            self._take_up(self.control.reports.get())
        self._place_marks()

    def _take_up(self, report: ControlReport) -> None:
        match report:
            case MarkKept(mark):
                self.marks.answered(mark)
            case MarkRefused(mark_id, why):
                self.marks.refused(mark_id, why)
                self.message = why
            case MarkWaits(mark_id, why):
                self.marks.waits(mark_id, why)
            case MarkUnanswered(mark_id, why):
                self.marks.unanswered(mark_id, why)
            case MarksListed(marks):
                self.marks.refresh(marks)
            case StatusReport(status):
                self._take_status(status)
            case ContactLost(why):
                self.lost = why
                self.marks.contact_lost(why)
                if self.is_ending:
                    self._enter(RunState.ENDED)
            case ContactBack():
                self.lost = ""
                self.marks.send_again()
            case ZeroTaken(zeros):
                self.message = "; ".join(zero.text for zero in zeros)
            case ShuntRead(check):
                self.shunt_due = check.step is ShuntStep.OPEN
                then = "put the shunt ON" if self.shunt_due else "take the shunt OFF"
                self.message = f"{then}; {check.text}"
            case StopAccepted():
                self._stop_asked = True
                self.message = "stopping: the file is being closed and checked"
            case Trouble(text):
                self.message = text

    def _take_status(self, status: SessionStatus) -> None:
        self.status, self.status_ns = status, now_ns()
        self.ring_worker.note_zeros(status.zeros)
        self._enter(status.state)
        self.traces.silent = frozenset(
            device.name
            for device in status.devices.values()
            if device.state is not DeviceState.RUNNING
        )

    def _enter(self, state: RunState) -> None:
        self.state = state
        word = lamp_of(state, lost=False).word
        self.marks.closed = "" if state.takes_marks else f"{word}: no more marks are taken"

    def _place_marks(self) -> None:
        """Marks on the paper, and the train on its route by marks and fixes."""
        path = self.traces.path
        for entry in self.marks.entries:
            if math.isnan(entry.path_m) and path.covers(entry.mark.t_s):
                if entry.mark.t_s > self.traces.newest_s:
                    continue  # the wheel's data of that instant are still on their way
                entry.path_m = float(path.at(entry.mark.t_s))
        if self.ahead is not None:
            on_paper = [e.shown for e in self.marks.visible() if not math.isnan(e.path_m)]
            self.ahead.note_marks(on_paper)
            for fixes in self._fixes:
                self.ahead.note_fixes(fixes)
            # At the wheel's own time: a wheel that is silent does not say that the train stands.
            self.ahead.follow(self.traces.distance_s, self.traces.distance_m)
        self._fixes.clear()

    @property
    def is_ending(self) -> bool:
        """Whether the run's end has been asked for or has begun."""
        return self._stop_asked or (self.state is not None and self.state.is_ending)

    # ------------------------------------------------------------------ what the crew does

    def stop_recording(self) -> None:
        """Ask for a clean stop."""
        self.control.carry(StopRequest("stopped from the window"))

    def take_zero(self) -> None:
        """Take the zero of every force channel, as long as the car sheet says."""
        self.message = "taking the zero …"
        self.control.take_zero(self._check_seconds)

    def read_shunt(self, step: ShuntStep) -> None:
        """Read the pull for a step of a shunt check, as long as for a zero."""
        self.message = f"shunt check: reading, shunt {_SHUNT_IS[step]} …"
        self.shunt_due = False
        self.control.read_shunt(step, self._check_seconds, self._measuring("pull"))

    def _measuring(self, quantity: str) -> str:
        """The first channel that measures a quantity; empty without one."""
        held = (c for c in self.header.channels if c.quantity == quantity and c.measures)
        return next((c.name for c in held), "")

    @property
    def _check_seconds(self) -> float:
        """Of a zero or a reading asked for from here; a car sheet may take no zero itself."""
        return self.car.recording.zero_seconds or CHECK_S

    # ------------------------------------------------------------------ alarms

    def alarms(self, now_ns: int) -> list[Alarm]:
        """Every alarm there is now, the worst first."""
        found = [*self._session_alarms(now_ns), *self.numerals.alarms(self.due_s(now_ns))]
        if call := self._calls.told(now_ns):
            found.append(Alarm(Level.WARN, call))
        if self.ahead is not None:
            found += self._place_alarms(self.ahead)
        if self.ring_worker.problem:
            found.append(Alarm(Level.WARN, self.ring_worker.problem))
        missed = self.traces.not_drawn_blocks
        if missed and now_ns - self._missed_ns < MISSED_SHOWN_S * 1e9:
            text = f"{missed} blocks not drawn: the window was too slow; the recording has them"
            found.append(Alarm(Level.WARN, text))
        return sorted(found, key=lambda a: a.level is not Level.LOUD)

    def _place_alarms(self, ahead: RouteAhead) -> list[Alarm]:
        found = [Alarm(Level.WARN, ahead.doubted_post)] if ahead.doubted_post else []
        if ahead.fixes_doubted:
            words = (
                "satellite position disagrees with posts or wheel: it is not used for the place"
            )
            found.append(Alarm(Level.WARN, words))
        return found

    def _session_alarms(self, now_ns: int) -> list[Alarm]:
        found = []
        unsure = sum(e.state is EntryState.UNSURE for e in self.marks.entries)
        if unsure:
            words = f"{unsure} mark{'s' * (unsure > 1)} NOT confirmed as saved: write down"
            found.append(Alarm(Level.LOUD, f"{words} {'them' if unsure > 1 else 'it'}"))
        if self.lost:
            level = Level.WARN if self.is_ending else Level.LOUD
            return [*found, Alarm(level, self.lost)]
        if (waited := self.marks.waiting_s(now_ns)) > SLOW_ANSWER_S:
            found.append(Alarm(Level.LOUD, f"a mark is not saved yet after {waited:.0f} s"))
        status = self.status
        if status is None:
            return found
        silent = (now_ns - self.status_ns) / 1e9
        if silent > QUIET_STATUS_S:
            found.append(Alarm(Level.LOUD, f"the recorder has not answered for {silent:.0f} s"))
        if words := status.keeping.words:
            found.append(Alarm(Level.LOUD, words))
        for device in status.devices.values():
            if device.state is not DeviceState.RUNNING:
                lost = device.state is DeviceState.LOST
                level = Level.LOUD if lost else Level.WARN
                found.append(Alarm(level, silence_words(device, status.t_s)))
            found += [Alarm(Level.LOUD, words) for words in device.unsound]
        level, words = disk_line(status)
        if level in (Level.WARN, Level.LOUD):
            found.append(Alarm(level, words))
        if status.filer is FilerState.DEAD:
            found.append(
                Alarm(
                    Level.WARN,
                    "the run file is not being written; nothing is lost, the journal holds it",
                )
            )
        return found + [Alarm(Level.WARN, w) for w in not_told(status)]
