"""The recording: opens everything or nothing, hands over to the run, leaves nothing behind."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING

from drivers.interface.errors import DriverError
from recorder.acquisition.control.serving import open_to_clients
from recorder.acquisition.control.session_files import sweep
from recorder.acquisition.preparation.opening import (
    check_place,
    make_header,
    open_devices,
    start_threads,
)
from recorder.acquisition.preparation.plan import make_plan
from recorder.acquisition.preparation.planned import Plan
from recorder.acquisition.process.notices import Notices
from recorder.acquisition.process.pace import RealPace
from recorder.acquisition.process.reports import SessionOpen, Swept
from recorder.acquisition.process.running import RunningRecording, StopWish
from recorder.acquisition.safekeeping.filer_supervisor import FilerSupervisor
from recorder.keeping.journal import Journal
from recorder.keeping.journal_connection import Connect, open_connection
from recorder.keeping.owner import journal_path_for
from recorder.machine.clocks import RunClock
from recorder.machine.private_files import is_ours
from recorder.sheets import load_car_sheet, load_trip_sheet

if TYPE_CHECKING:
    from drivers.interface.driver_interface import DeviceDriver
    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.preparation.settings import Outcome, RecordingSettings
    from recorder.acquisition.process.pace import Pace
    from recorder.acquisition.process.reports import Reporter
    from recorder.run.parts.header import RunHeader

__all__ = ["record"]


def record(
    settings: RecordingSettings,
    report: Reporter,
    stop: StopWish,
    pace: Pace | None = None,
    *,
    connect: Connect = open_connection,
) -> Outcome:
    """One recording, from sheets to sealed file; needs no window.

    ``stop`` may be wished for from a signal handler or any thread; ``pace`` is how its time
    passes, as the computer's unless it is given; ``connect`` opens the connection that writes the
    journal.

    Raises
    ------
    RecordingError, SheetError, OSError
        It could not begin; nothing is left behind.
    """
    pace = pace or RealPace()
    notices = Notices(report, _clock_from(pace, 0.0, 1.0))
    plan = _plan(settings)
    for left in sweep():
        notices.report(Swept(f"removed what an interrupted recording had left: {left}"))
    zero_s = _zero_seconds(settings, plan)
    with contextlib.ExitStack() as stack:
        drivers, threads = _open_devices(stack, settings, plan, notices, pace, zero_s)
        header = make_header(plan, pace, start_ns=notices.clock.start_ns)
        begun = _Begun()
        journal = stack.enter_context(_journal(settings, header, begun, plan.group, connect))
        begun.filing = True
        filer = FilerSupervisor(
            journal.path, settings.out, warn=notices.warn, signing_key=plan.signing_key
        )
        stack.callback(filer.abandon)
        run = RunningRecording(settings, plan, threads, journal, filer, notices, stop, pace)
        stack.callback(run.let_go)
        rings = {thread.name: thread.ring.name for thread in threads}
        session_path = stack.enter_context(
            open_to_clients(run, run_path=settings.out, journal_path=journal.path, rings=rings)
        )
        notices.report(SessionOpen(session_path))
        drivers.clear()  # from here on the threads close them
        begun.yes = True
        return run.run(zero_s)


def _plan(settings: RecordingSettings) -> Plan:
    plan = make_plan(
        load_car_sheet(settings.car_sheet),
        load_trip_sheet(settings.trip_sheet),
        allow_expired=settings.allow_expired,
    )
    check_place(settings, plan)
    return plan


def _zero_seconds(settings: RecordingSettings, plan: Plan) -> float:
    if not plan.needs_zero:
        return 0.0
    given = settings.zero_seconds
    return plan.car.recording.zero_seconds if given is None else given


def _open_devices(
    stack: contextlib.ExitStack,
    settings: RecordingSettings,
    plan: Plan,
    notices: Notices,
    pace: Pace,
    zero_s: float,
) -> tuple[list[DeviceDriver], list[DeviceThread]]:
    """Open every port and make its ring; settles when the run begins."""
    # Without a zero the run begins before its ports open: no record of theirs is too early.
    speed = 1.0 if pace.simulated else plan.car.recording.simulated_speed or 1.0
    notices.clock = _clock_from(pace, 0.0, speed)
    drivers = open_devices(plan, pace)
    stack.callback(_close_all, drivers)
    if zero_s:
        notices.clock = _clock_from(pace, pace.set_up_s + zero_s / speed, speed)
    # Only now: a port that is not there was refused, in a line of its own.
    for text in plan.standings:
        notices.check(text, well=True)
    for text in plan.warnings:
        notices.warn(text)
    threads = start_threads(
        plan,
        drivers,
        pace,
        clock=notices.clock,
        from_start_only=zero_s > 0.0,
        ring_bytes=settings.ring_bytes,
        notify=notices.keep,
        warn=notices.warn,
    )
    for thread in threads:
        stack.callback(thread.ring.close)
    return drivers, threads


def _clock_from(pace: Pace, after_s: float, speed: float) -> RunClock:
    """Run time begins so many seconds from now."""
    read_ns = pace.timepiece.now_ns
    return RunClock(read_ns() + round(after_s * 1e9), speed, read_ns)


class _Begun:
    """Whether there is anything worth keeping."""

    yes = False
    filing = False
    """A run file may have been made."""


@contextlib.contextmanager
def _journal(
    settings: RecordingSettings,
    header: RunHeader,
    begun: _Begun,
    group: int | None,
    connect: Connect,
) -> Iterator[Journal]:
    """The journal; at the end closed, and removed with the run file if nothing ever began."""
    path = journal_path_for(settings.out)
    journal = Journal.create(path, header, group=group, connect=connect)
    try:
        yield journal
    finally:
        journal.close()
        if not begun.yes:
            # Here, because sealing's libraries are a burden this process does not need.
            from recorder.keeping.seal import remove_journal

            remove_journal(journal.path)
            if begun.filing and is_ours(settings.out):
                settings.out.unlink()


def _close_all(drivers: list[DeviceDriver]) -> None:
    for driver in drivers:
        with contextlib.suppress(DriverError, OSError):
            driver.close()
