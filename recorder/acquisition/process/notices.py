"""What happens, on its three ways: kept with the run, remembered for clients, reported."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from recorder.acquisition.process.reports import CheckReport, GapReport, Warned
from recorder.acquisition.safekeeping.intake import Outbox
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.gap import Gap

if TYPE_CHECKING:
    from recorder.acquisition.process.reports import RecordingReport, Reporter
    from recorder.machine.clocks import RunClock

__all__ = ["Notices", "unfailing"]

MOST_EVENTS: Final = 20_000
"""Remembered for clients; the run itself keeps all."""
_EVERY_SECOND: Final = frozenset({"health", "clock_anchor"})


def unfailing(report: Reporter) -> Reporter:
    """The same reporter, but one whose closed pipe or screen stops no thread."""

    def guarded(what: RecordingReport) -> None:
        try:
            report(what)
        except (OSError, ValueError):
            # Nobody to report to: the run itself keeps what matters.
            return

    return guarded


class Notices:
    """Any thread may call."""

    def __init__(self, report: Reporter, clock: RunClock) -> None:
        self.report = report
        self.outbox = Outbox()
        self.warnings: list[str] = []
        self.events: list[Event] = []
        """Kept so far, without the every-second ones."""
        self.clock = clock
        """Run time 0 is now, until it is settled when the run begins."""

    def now_s(self) -> float:
        """Run time, now."""
        return self.clock.now_s()

    def keep(self, item: Event | Gap) -> None:
        """Have a gap or an event kept, and publish it."""
        self.outbox.put(item)
        self.publish(item)

    def publish(self, item: Event | Gap) -> None:
        """Remember for clients, and report, what is kept already."""
        event = item.to_event() if isinstance(item, Gap) else item
        if event.kind in _EVERY_SECOND:
            return
        if len(self.events) < MOST_EVENTS:
            self.events.append(event)
        if isinstance(item, Gap):
            self.report(GapReport(item))

    def warn(self, text: str) -> None:
        """Something the crew must know; it is kept with the run."""
        self.warnings.append(text)
        self.report(Warned(text))
        self.keep(Event(kind=EventKind.WARNING, t_s=self.now_s(), data={"text": text}))

    def check(self, text: str, *, well: bool) -> None:
        """How a check came out: a warning when it is not well."""
        if well:
            self.report(CheckReport(text))
        else:
            self.warn(text)
