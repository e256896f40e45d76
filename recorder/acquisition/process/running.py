"""The run itself: zero, watch, end, seal; and what its clients see of it."""

from __future__ import annotations

import traceback
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from calibration.quantities.printable import error_line
from recorder.acquisition.control.status import DeviceStatus, KeepingStatus, SessionStatus
from recorder.acquisition.field.channel_watch import ChannelWatch
from recorder.acquisition.field.clock_watch import ClockWatch
from recorder.acquisition.field.field_checks import FieldChecks
from recorder.acquisition.field.guarded import Guarded
from recorder.acquisition.preparation.settings import Outcome
from recorder.acquisition.process.health import HealthMonitor
from recorder.acquisition.process.keep_watch import KeepWatch
from recorder.acquisition.process.reports import Progress, Started, Stopping, ZeroBegins
from recorder.acquisition.process.sealing import seal_run
from recorder.acquisition.safekeeping.keeper import Keeper
from recorder.acquisition.safekeeping.mark_register import END_S, PATIENCE_S, MarkRegister
from recorder.keeping.errors import JournalError, NotKeptError
from recorder.machine.version import BUILT_ON, software
from recorder.run.checks.zero_line import ZeroTime
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.gap import Gap
from recorder.run.parts.states import RunState

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.preparation.planned import Plan
    from recorder.acquisition.preparation.settings import RecordingSettings
    from recorder.acquisition.process.notices import Notices
    from recorder.acquisition.process.pace import Pace
    from recorder.acquisition.safekeeping.filer_supervisor import FilerSupervisor
    from recorder.keeping.journal import Journal
    from recorder.machine.clocks import Timepiece
    from recorder.run.parts.header import RunHeader

__all__ = ["RunningRecording", "StopWish"]

SHOWN_WARNINGS: Final = 20


class StopWish:
    """The wish that a recording stop, from a signal, a client or itself; the first stands."""

    def __init__(self) -> None:
        self.reason = ""
        """Empty while nobody has asked."""

    def ask(self, reason: str) -> None:
        """Ask for a clean stop, from a signal handler or any thread."""
        # A plain store: an Event could deadlock in a signal handler.
        self.reason = self.reason or reason


class RunningRecording:
    """A recording whose devices, journal and filer are there; :meth:`run` is called once.

    Its clients reach it as :class:`~recorder.acquisition.control.serving.Served`.
    """

    def __init__(
        self,
        settings: RecordingSettings,
        plan: Plan,
        threads: list[DeviceThread],
        journal: Journal,
        filer: FilerSupervisor,
        notices: Notices,
        stop: StopWish,
        pace: Pace,
    ) -> None:
        self.header = pace.shown(journal.header)
        """As clients see it."""
        self.state = RunState.OPENING
        self.notices = notices
        self._guarded = Guarded(notices.keep, notices.warn, notices.now_s)
        self._settings = settings
        self._plan = plan
        self._threads = threads
        self._journal = journal
        self._filer = filer
        self._stop = stop
        self._pace = pace
        self.marks = self._mark_register(journal, plan, pace)
        self.checks = FieldChecks(
            plan, threads, keep=notices.keep, notice=notices.check, utc_ns=self._utc_ns
        )
        self._problems: list[str] = []
        self._bug = False
        self._end_s = 0.0
        """Run time of the stop, or of the last record where the feeds ended."""
        self._channels, self._health, self._clock = _watches(
            journal.header, plan, threads, settings.out, notices, pace.timepiece
        )
        rings = {thread.name: thread.ring.keeper(thread.name) for thread in threads}
        outbox, failed, overrun = notices.outbox, self._keeper_failed, notices.publish
        self._keeper = Keeper(journal, rings, outbox, failed=failed, overrun=overrun)
        self._keeping = KeepWatch(
            self._keeper, journal, self.marks, threads, self._health.rate_hz, notices.warn
        )

    def _mark_register(self, journal: Journal, plan: Plan, pace: Pace) -> MarkRegister:
        clock, now_s = self.header.clock, self.notices.now_s
        return MarkRegister(
            journal.commit_mark,
            clock=clock,
            open_ns=clock.instant_ns(min(0.0, now_s())),
            software=software(),
            by="" if plan.trip is None else plan.trip.operator,
            now_ns=lambda: clock.instant_ns(now_s()),
            utc_ns=self._utc_ns,
            clocks_apart=pace.simulated,
            # Simulated time stands still while a mark is being kept.
            patience_s=END_S if pace.simulated else PATIENCE_S,
        )

    def _utc_ns(self) -> int:
        """By the computer's clock; by the start and run time where it does not read."""
        started = self.header.started_utc_ns + round(self.notices.now_s() * 1e9)
        read = self._pace.timepiece.read
        return self._guarded.get("the computer's clock", lambda: read().utc_ns, started)

    def run(self, zero_s: float) -> Outcome:
        """Record until the end, then seal."""
        worth = self._pace.timepiece.worth(self.header.boot_id)
        clock = {**worth.to_dict(), "built_on": BUILT_ON.isoformat()}
        host = Event(kind=EventKind.HOST_CLOCK, t_s=0.0, data=clock)
        self._clock.note(host)
        self.notices.keep(host)
        self._guarded.do("the free disk", lambda: self._health.look_at_disk(0.0))
        self._pace.begin(self._threads, self._keeper, self.marks, self.checks)
        try:
            self._zero_before(zero_s)
            self._watch()
            self._zero_after()
        except Exception as bug:  # noqa: BLE001 - told; the run is ended as at every stop
            self._end_by(bug)
        finally:
            self._end_threads()
        return self._finish()

    def let_go(self) -> None:
        """Let go of the rings."""
        self._keeper.close()
        self._channels.close()

    # ------------------------------------------------------------------ the run

    def _zero_before(self, zero_s: float) -> None:
        self.checks.keep_known()
        if zero_s:
            self.state = RunState.ZERO
            self.notices.report(ZeroBegins(zero_s))
            taking = self.checks.begin(-zero_s, 0.0)
            while (now_s := self.notices.now_s()) < 0.0 and not self._stop.reason:
                self._health.look_at_rates(now_s)
                self._pace.pass_time(min(self._pace.tick_s, -now_s))
            if self._stop.reason:
                return
            self.checks.finish(taking, t_s=0.0, when=ZeroTime.BEFORE)
        self.state = RunState.RECORDING
        self.notices.report(Started(str(self._settings.out)))

    def _watch(self) -> None:
        last = self._settings.seconds
        next_s = 0.0
        while not self._stop.reason:
            now = self.notices.now_s()
            if now >= next_s:
                self._second(now)
                next_s = max(next_s + 1.0, now)
            self._stop_when_due(now)
            tick_s = self._pace.tick_s
            self._pace.pass_time(
                tick_s if last is None else min(tick_s, max(last - now, 0.001))
            )

    def _stop_when_due(self, now: float) -> None:
        last, out = self._settings.seconds, self._settings.out
        if last is not None and now >= last:
            self.stop(f"{last:g} s recorded")
        elif self._feeds_end(now) is not None:
            self.stop("no device sends anything any more")
        elif self._pace.over:
            self.stop(self._pace.over)
        elif self._journal.disk_full:
            self._fail(f"{out}: disk full; everything up to now is kept")
        elif self._health.disk_ends:
            margin = self._plan.car.recording.stop_free_MiB
            self._fail(f"{out}: disk nearly full, {margin:g} MiB are kept free")

    def _second(self, now: float) -> None:
        """Each by itself: what fails is told by its name, and the recording goes on."""
        do = self._guarded.do
        do("the filer", self._filer.look)
        do("the channels", lambda: self._channels.second(now))
        do("the clocks", lambda: self._clock.second(now))
        do("whether all is kept", lambda: self._keeping.second(now))
        more = {"filer": self._filer.state, "marks": len(self.marks)}
        do("the health of the recording", lambda: self._look(now, more))
        do("the state of the recording", self._report_progress)

    def _look(self, now: float, more: dict[str, Any]) -> None:
        self._health.second(now, keep_s=self._keeper.take_longest_s(), more=more)

    def _report_progress(self) -> None:
        self.notices.report(Progress(self.status()))

    def _feeds_end(self, now: float) -> float | None:
        """When the last of all records came, where that is the end of the feeds."""
        limit = self._settings.until_quiet_s
        received = [t.last_received_s for t in self._threads if t.last_received_s is not None]
        ended = limit is not None and bool(received) and now - max(received) >= limit
        return max(received) if ended else None

    def _zero_after(self) -> None:
        seconds = self._settings.zero_after
        if seconds and self.checks.channels and not self._problems:
            self.state = RunState.ZERO
            self.notices.report(ZeroBegins(seconds))
            try:
                self.checks.take_zero(seconds, "", when=ZeroTime.AFTER)
            except ValueError as error:
                self.notices.warn(str(error))

    # ------------------------------------------------------------------ the end

    def _end_threads(self) -> None:
        self.state = RunState.STOPPING
        self.notices.report(Stopping(self._stop.reason))
        self._end_s = self.notices.now_s()
        hangs: dict[str, str] = {}
        end = self._pace.end
        hangs = self._guarded.get("the end of the devices", lambda: end(self._threads), hangs)
        for name in hangs:
            self.notices.warn(f"{name}: does not stop; its port hangs")
        ended_s = self._feeds_end(self._end_s)
        if ended_s is not None:
            self._end_s = ended_s
        for thread in self._threads:
            stream, why = thread.stream, hangs.get(thread.name, "")
            last = partial(stream.finish, self._end_s, hangs=why, with_feed=ended_s is not None)
            none: list[Gap] = []
            for gap in self._guarded.get(f"the last gap of {thread.name}", last, none):
                self.notices.keep(gap)

    def _finish(self) -> Outcome:
        self._guarded.do("the health of the recording", self._look_at_the_end)
        streams = {thread.name: thread.stream for thread in self._threads}
        self.state = RunState.SEALING
        marks = self.marks.close(waiting=self._wait_on)
        if given_up := self.marks.not_kept:
            keyed = ", ".join(f"{m.kind_label} {m.value} at {m.t_s:.1f} s" for m in given_up)
            self._problems.append(f"{self._settings.out}: not kept: {keyed}")
        data: dict[str, Any] = {
            "reason": self._stop.reason,
            "problem": "; ".join(self._problems),
            "records": {name: stream.total for name, stream in streams.items()},
            "marks": marks,
            "partial_bytes": {name: s.partial_bytes for name, s in streams.items()},
            "cut_bytes": {name: s.cut_bytes for name, s in streams.items()},
        }
        self.notices.keep(Event(kind=EventKind.STOP, t_s=self._end_s, data=data))
        if left := self._keeper.stop(self._end_s, waiting=self._wait_on):
            self._problems.append(f"{self._settings.out}: {left}")
        self._close_journal()
        sealing = seal_run(self._filer, self._settings.out, self.notices.report)
        self._problems += [sealing.problem] * bool(sealing.problem)
        self.state = RunState.ENDED
        lost = sum(s.lost_records for s in streams.values()) + self._keeper.lost_records
        return Outcome(
            run_path=self._settings.out,
            reason=self._stop.reason,
            duration_s=max(self._keeper.ends_at_s(self._end_s), 0.0),
            records=self._keeper.kept(),
            gaps=sum(s.gaps for s in streams.values()) + self._keeper.overruns,
            lost_records=lost,
            partial_bytes=data["partial_bytes"],
            cut_bytes=data["cut_bytes"],
            marks=marks,
            sealed=sealing.sealed,
            unsigned=self._filer.unsigned,
            problem="; ".join(self._problems),
            internal_error=self._bug or sealing.bug,
            warnings=tuple(self.notices.warnings),
        )

    def _look_at_the_end(self) -> None:
        self._look(self.notices.now_s(), {})

    def _wait_on(self) -> None:
        """The end waits for a disk: whoever looks is told."""
        now = self.notices.now_s()
        self._guarded.do("whether all is kept", lambda: self._keeping.second(now))
        self._guarded.do("the state of the recording", self._report_progress)

    def _close_journal(self) -> None:
        try:
            self._journal.close()
        except JournalError as error:
            self.notices.warn(str(error))

    # ------------------------------------------------------------------ what others ask

    @property
    def events(self) -> list[Event]:
        """Gaps, checks and the like so far, not the every-second ones."""
        return self.notices.events

    def warn(self, text: str) -> None:
        """Something the crew must know."""
        self.notices.warn(text)

    def stop(self, reason: str) -> None:
        """Ask for a clean stop."""
        self._stop.ask(reason)

    def status(self) -> SessionStatus:
        """State, now; for clients and progress."""
        now = self.notices.now_s()
        ask, health = self._guarded.get, self._health
        unknown: dict[str, DeviceStatus] = {}
        devices = ask("the states of the devices", lambda: health.devices(now), unknown)
        return SessionStatus(
            state=self.state,
            t_s=now,
            utc_ns=self._utc_ns(),
            devices=devices,
            marks=len(self.marks),
            zeros=tuple(self.checks.zeros.values()),
            filer=self._filer.state,
            filed=self._filer.filed,
            warnings=tuple(reversed(self.notices.warnings[-SHOWN_WARNINGS:])),
            disk_free_bytes=health.free_bytes,
            disk_hours_left=health.hours_left,
            rss_bytes=health.rss_bytes,
            keep_s=health.keep_s,
            clock=self._clock.status,
            dropped_records=sum(d.ring.dropped_records for d in devices.values()),
            keeping=ask("whether all is kept", self._keeping.status, KeepingStatus()),
        )

    def _fail(self, problem: str) -> None:
        if not self._problems:
            self._problems.append(problem)
        self.stop("stopped by a fault")

    def _keeper_failed(self, error: Exception) -> None:
        """The keeper can keep no more; called from its thread."""
        self._bug = self._bug or not isinstance(error, NotKeptError)
        self._fail(f"{self._settings.out}: recording stopped, {error_line(error)}")

    def _end_by(self, bug: Exception) -> None:
        """A mistake of ours ends the run, but takes nothing with it that has come."""
        words = f"{type(bug).__name__}: {bug}"
        data = {"error": words, "trace": "".join(traceback.format_exception(bug)[-6:])}
        self.notices.keep(Event(kind=EventKind.BUG, t_s=self.notices.now_s(), data=data))
        self._bug = True
        self._fail(f"{self._settings.out}: recording stopped, internal error: {words}")


def _watches(
    header: RunHeader,
    plan: Plan,
    threads: list[DeviceThread],
    out: Path,
    notices: Notices,
    timepiece: Timepiece,
) -> tuple[ChannelWatch, HealthMonitor, ClockWatch]:
    """Who watches the channels, who the machine, and who the time."""
    clock = ClockWatch(header, threads, notices.warn)
    rings = {thread.name: thread.ring.reader(thread.name) for thread in threads}
    channels = ChannelWatch(header, plan.certificates, rings, notices.warn)

    def keep(event: Event) -> None:
        clock.note(event)
        notices.keep(event)

    health = HealthMonitor(
        plan,
        threads,
        run_path=out,
        keep=keep,
        warn=notices.warn,
        unsound=channels.unsound,
        timepiece=timepiece,
    )
    return channels, health, clock
