"""What happens, on its three ways: kept with the run, remembered for clients, reported."""

from __future__ import annotations

import traceback
from typing import TYPE_CHECKING, Final

from recorder.acquisition.process.reports import CheckReport, GapReport, Warned
from recorder.acquisition.safekeeping.intake import Outbox
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.gap import Gap

if TYPE_CHECKING:
    from recorder.acquisition.process.reports import RecordingReport, Reporter
    from recorder.machine.clocks import RunClock

__all__ = ["Notices"]

MOST_EVENTS: Final = 20_000
"""Remembered for clients; the run itself keeps all."""
_EVERY_SECOND: Final = frozenset({"health", "clock_anchor"})


class Notices:
    """Any thread may call, and none of them is stopped by who hears the reports."""

    def __init__(self, report: Reporter, clock: RunClock) -> None:
        self._report = report
        self._told_bug = False
        self.outbox = Outbox()
        self.warnings: list[str] = []
        self.events: list[Event] = []
        """Kept so far, without the every-second ones."""
        self.clock = clock
        """Run time 0 is now, until it is settled when the run begins."""

    def now_s(self) -> float:
        """Run time, now."""
        return self.clock.now_s()

    def report(self, what: RecordingReport) -> None:
        """Tell whoever hears the reports, if anybody does."""
        try:
            self._report(what)
        except (OSError, ValueError):
            return  # a closed pipe or screen: the run itself keeps what matters
        except Exception as bug:  # noqa: BLE001 - kept with the run, and in its outcome
            self._note(f"{type(bug).__name__}: {bug}", traceback.format_exc(limit=-6))

    def _note(self, words: str, trace: str) -> None:
        """A mistake in who hears the reports cannot be reported."""
        if self._told_bug:
            return
        self._told_bug = True
        self.warnings.append(f"reports: internal error, {words}; recording goes on")
        data = {"what": "reports", "error": words, "trace": trace}
        self.outbox.put(Event(kind=EventKind.BUG, t_s=self.now_s(), data=data))

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
