"""The recording: opens everything, keeps watch, stops cleanly, seals. Needs no window."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from drivers.interface.errors import DriverError
from recorder.acquisition.control.session_files import sweep
from recorder.acquisition.control.status import SessionStatus
from recorder.acquisition.devices.opening import (
    check_place,
    make_header,
    open_devices,
    start_threads,
)
from recorder.acquisition.devices.plan import Plan, make_plan
from recorder.acquisition.field.readings import FieldChecks
from recorder.acquisition.process.clients import open_to_clients
from recorder.acquisition.process.filer_supervisor import FilerSupervisor
from recorder.acquisition.process.health import HealthMonitor
from recorder.acquisition.process.keeper import Keeper
from recorder.acquisition.process.mark_register import MarkRegister
from recorder.acquisition.process.notices import Notices, heard
from recorder.acquisition.process.settings import Outcome, RecordingSettings, Report
from recorder.keeping.errors import SealError
from recorder.keeping.journal import Journal
from recorder.keeping.owner import journal_path_for
from recorder.machine.version import software
from recorder.run.event import Event
from recorder.run.header import RunHeader
from recorder.run.states import RunState
from recorder.sheets import load_car_sheet, load_trip_sheet

if TYPE_CHECKING:
    from drivers.interface.driver_interface import DeviceDriver
    from recorder.acquisition.devices.device_thread import DeviceThread

__all__ = ["Recording"]

TICK_S: Final = 0.1
JOIN_S: Final = 5.0
SET_UP_S: Final = 0.4
"""Journal, filer and channel are made before the zero begins."""


class Recording:
    """One recording, from sheets to sealed file; :meth:`run` is called once.

    ``report`` hears what a person would want to know; see :class:`Report`.
    """

    def __init__(self, settings: RecordingSettings, report: Report) -> None:
        self.settings = settings
        self.report = heard(report)
        self.state = RunState.OPENING
        self.telling = Notices(self.report, self.now_s)
        self.header: RunHeader
        self.marks: MarkRegister
        self.checks: FieldChecks
        self._stop_reason = ""
        self._problem = ""
        self._start_ns = 0

    def stop(self, reason: str) -> None:
        """Ask for a clean stop. May be called from a signal handler or any thread."""
        # A plain store: an Event could deadlock in a signal handler.
        self._stop_reason = self._stop_reason or reason

    def now_s(self) -> float:
        """Run time; 0 while it is not settled when the run begins."""
        return (time.monotonic_ns() - self._start_ns) / 1e9 if self._start_ns else 0.0

    def run(self) -> Outcome:
        """Record.

        Raises
        ------
        RecordingError, SheetError, OSError
            It could not begin; nothing is left behind.
        """
        plan, zero_s = self._prepare()
        with contextlib.ExitStack() as stack:
            if not zero_s:
                self._start_ns = time.monotonic_ns()
            drivers = open_devices(plan)
            stack.callback(_close_unstarted, drivers)
            # Only now: a port that is not there was refused, in a line of its own.
            for words in plan.warnings:
                self.telling.warn(words)
            if zero_s:
                self._start_ns = time.monotonic_ns() + int((SET_UP_S + zero_s) * 1e9)
            threads = start_threads(
                plan,
                drivers,
                start_ns=self._start_ns,
                from_start_only=zero_s > 0.0,
                ring_bytes=self.settings.ring_bytes,
                notify=self.telling.tell,
            )
            for thread in threads:
                stack.callback(thread.ring.close)
            return self._record(stack, plan, threads, drivers, zero_s)

    # ------------------------------------------------------------------ beginning

    def _prepare(self) -> tuple[Plan, float]:
        settings = self.settings
        plan = make_plan(
            load_car_sheet(settings.car_sheet),
            load_trip_sheet(settings.trip_sheet),
            allow_expired=settings.allow_expired,
        )
        check_place(settings, plan)
        for left in sweep():
            self.report("swept", text=f"removed what a recording that died left: {left}")
        wanted = settings.zero_seconds
        zero_s = plan.car.recording.zero_seconds if wanted is None else wanted
        if not plan.needs_zero:
            zero_s = 0.0
        return plan, zero_s

    def _record(
        self,
        stack: contextlib.ExitStack,
        plan: Plan,
        threads: list[DeviceThread],
        drivers: list[DeviceDriver],
        zero_s: float,
    ) -> Outcome:
        self.header = make_header(plan, start_ns=self._start_ns)
        journal_path = journal_path_for(self.settings.out)
        journal = Journal.create(journal_path, self.header)
        begun = stack.enter_context(self._nothing_left(journal))
        telling = self.telling
        keeper = Keeper(
            journal,
            {thread.name: thread.ring.keeper(thread.name) for thread in threads},
            telling.outbox,
            failed=self._failed,
            overrun=telling.note,
        )
        stack.callback(keeper.close)
        care = FilerSupervisor(journal_path, self.settings.out, warn=telling.warn)
        stack.callback(care.abandon)
        self.marks = MarkRegister(
            journal.commit_mark,
            start_ns=self._start_ns,
            open_ns=min(self._start_ns, time.monotonic_ns()),
            software=software(),
            by="" if plan.trip is None else plan.trip.operator,
        )
        self.checks = FieldChecks(plan, threads, tell=telling.tell, say=telling.check)
        watch = HealthMonitor(
            plan,
            threads,
            run_path=self.settings.out,
            tell=telling.tell,
            warn=telling.warn,
        )
        self._threads, self._watch, self._care, self._keeper = threads, watch, care, keeper
        session_path = stack.enter_context(
            open_to_clients(
                self,
                run_path=self.settings.out,
                journal_path=journal_path,
                rings={thread.name: thread.ring.name for thread in threads},
            )
        )
        self.report("session", path=str(session_path))
        drivers.clear()  # from here on the threads close them
        begun.set()
        for thread in threads:
            thread.start()
        keeper.start()
        try:
            self._zero_before(zero_s)
            self._watch_over(plan, journal)
            self._zero_after()
        finally:
            self._end_threads()
        return self._finish(journal)

    @contextlib.contextmanager
    def _nothing_left(self, journal: Journal) -> Iterator[threading.Event]:
        """Close the journal; remove it and the run file if recording never began."""
        begun = threading.Event()
        try:
            yield begun
        finally:
            journal.close()
            if not begun.is_set():
                # Here, because sealing's libraries are a burden this process does not need.
                from recorder.keeping.seal import remove_journal

                remove_journal(journal.path)
                self.settings.out.unlink(missing_ok=True)

    # ------------------------------------------------------------------ the run

    def _zero_before(self, zero_s: float) -> None:
        self.checks.give_known()
        if zero_s:
            self.state = RunState.ZERO
            self.report("zero_begins", seconds=zero_s)
            taken = self.checks.begin(-zero_s, 0.0)
            while self.now_s() < 0.0 and not self._stop_reason:
                time.sleep(min(TICK_S, max(-self.now_s(), 0.0)))
            if self._stop_reason:
                return
            self.checks.finish(taken, t_s=0.0, when="before")
        self.state = RunState.RECORDING
        self.report("started", t_s=self.now_s(), run=str(self.settings.out))

    def _watch_over(self, plan: Plan, journal: Journal) -> None:
        last = self.settings.seconds
        next_s = 0.0
        while not self._stop_reason:
            now = self.now_s()
            if now >= next_s:
                self._second(now)
                next_s = max(next_s + 1.0, now)
            if last is not None and now >= last:
                self.stop(f"{last:g} s recorded")
            elif self._feeds_ended(now):
                self.stop("nothing comes any more")
            elif journal.disk_full:
                self._fail(f"{self.settings.out}: disk full; everything up to now is kept")
            elif self._watch.disk_ends:
                margin = plan.car.recording.stop_free_MiB
                self._fail(
                    f"{self.settings.out}: disk nearly full, {margin:g} MiB are kept free"
                )
            left = TICK_S if last is None else min(TICK_S, max(last - now, 0.001))
            time.sleep(left)

    def _second(self, now: float) -> None:
        self._care.look()
        more = {"filer": self._care.state, "marks": len(self.marks)}
        self._watch.second(now, keep_s=self._keeper.take_longest_s(), more=more)
        self.report("progress", status=self.status().to_dict())

    def _feeds_ended(self, now: float) -> bool:
        limit = self.settings.until_quiet_s
        received = [t.last_received_s for t in self._threads if t.last_received_s is not None]
        return limit is not None and bool(received) and now - max(received) >= limit

    def _zero_after(self) -> None:
        seconds = self.settings.zero_after
        if seconds and self.checks.zeros and not self._problem:
            self.state = RunState.ZERO
            self.report("zero_begins", seconds=seconds)
            try:
                self.checks.take_zero(seconds, "", when="after")
            except ValueError as error:
                self.telling.warn(str(error))

    # ------------------------------------------------------------------ the end

    def _end_threads(self) -> None:
        self.state = RunState.STOPPING
        self.report("stopping", reason=self._stop_reason)
        for thread in self._threads:
            thread.stop()
        for thread in self._threads:
            if not thread.join(JOIN_S):
                self.telling.warn(f"{thread.name}: does not stop; its port hangs")
        now = self.now_s()
        for thread in self._threads:
            if self._feeds_ended(now):
                thread.stream.forget_pending()
                continue
            for gap in thread.stream.finish(now):
                self.telling.tell(gap)

    def _finish(self, journal: Journal) -> Outcome:
        now = self.now_s()
        self._watch.second(now, keep_s=self._keeper.take_longest_s(), more={})
        streams = {thread.name: thread.stream for thread in self._threads}
        self.state = RunState.SEALING
        marks = self.marks.close()
        self.telling.tell(
            Event(
                kind="stop",
                t_s=now,
                data={
                    "reason": self._stop_reason,
                    "problem": self._problem,
                    "records": {name: stream.total for name, stream in streams.items()},
                    "marks": marks,
                },
            )
        )
        self._keeper.stop()
        journal.close()
        sealed = self._seal()
        self.state = RunState.ENDED
        return Outcome(
            run_path=self.settings.out,
            reason=self._stop_reason,
            duration_s=max(now, 0.0),
            records=self._keeper.kept(),
            gaps=sum(s.gaps for s in streams.values()) + self._keeper.overruns,
            lost_records=sum(s.lost_records for s in streams.values())
            + self._keeper.lost_records,
            marks=marks,
            sealed=sealed,
            problem=self._problem,
            warnings=tuple(self.telling.warnings),
        )

    def _seal(self) -> bool:
        self.report("sealing", part=0.0, what="")
        told = [0]

        def progress(part: float, what: str) -> None:
            if int(100.0 * part) > told[0]:
                told[0] = int(100.0 * part)
                self.report("sealing", part=part, what=what)

        try:
            self._care.seal(progress)
        except SealError as error:
            journal = journal_path_for(self.settings.out)
            self._problem = (
                f"{self.settings.out}: not sealed ({error}); nothing is lost, the journal is"
                f" kept: testcar recover {journal} --out NEW.h5"
            )
            return False
        return True

    # ------------------------------------------------------------------ what others ask

    @property
    def events(self) -> list[Event]:
        """Gaps, checks and the like so far, not the every-second ones."""
        return self.telling.events

    def warn(self, text: str) -> None:
        """Say something the crew must know."""
        self.telling.warn(text)

    def status(self) -> SessionStatus:
        """State, now; for clients and progress."""
        now = self.now_s()
        devices = self._watch.devices(now)
        return SessionStatus(
            state=self.state,
            t_s=now,
            utc_ns=time.time_ns(),
            devices=devices,
            marks=len(self.marks),
            zeros=dict(self.checks.zeros),
            filer=self._care.state,
            filed=self._care.filed,
            warnings=tuple(reversed(self.telling.warnings[-20:])),
            disk_free_bytes=self._watch.free_bytes,
            disk_hours_left=self._watch.hours_left,
            rss_bytes=self._watch.rss_bytes,
            keep_s=self._watch.keep_s,
            dropped_records=sum(d.ring.dropped_records for d in devices.values()),
        )

    def _fail(self, problem: str) -> None:
        self._problem = self._problem or problem
        self.stop("stopped by a fault")

    def _failed(self, error: Exception) -> None:
        """The keeper can keep no more; called from its thread."""
        self._fail(f"{self.settings.out}: recording stopped, {error}")


def _close_unstarted(drivers: list[DeviceDriver]) -> None:
    for driver in drivers:
        with contextlib.suppress(DriverError, OSError):
            driver.close()
