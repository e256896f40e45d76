"""What happens is kept with the run, remembered for clients, and told to the person."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from recorder.acquisition.process.keeper import Outbox
from recorder.run.event import Event
from recorder.run.gap import Gap

if TYPE_CHECKING:
    from recorder.acquisition.process.settings import Report

__all__ = ["Notices", "heard"]

MOST_EVENTS: Final = 20_000
"""Remembered for clients; the run itself keeps all."""
_EVERY_SECOND: Final = frozenset({"health", "clock_anchor"})


def heard(report: Report) -> Report:
    """The same report, but silent once nobody can hear it: a closed pipe stops no thread."""

    def guarded(kind: str, **data: Any) -> None:  # noqa: ANN401 - JSON values
        try:
            report(kind, **data)
        except (OSError, ValueError):
            # Nothing to tell it to: the run itself keeps what matters.
            return

    return guarded


class Notices:
    """Any thread may call."""

    def __init__(self, report: Report, now_s: Callable[[], float]) -> None:
        self.report = report
        self.outbox = Outbox()
        self.warnings: list[str] = []
        self.events: list[Event] = []
        """Told so far, without the every-second ones."""
        self._now_s = now_s

    def tell(self, item: Event | Gap) -> None:
        """Have a gap or an event kept; clients and the person hear of it too."""
        self.outbox.put(item)
        self.note(item)

    def note(self, item: Event | Gap) -> None:
        """Remember and tell what is kept already."""
        event = item.to_event() if isinstance(item, Gap) else item
        if event.kind in _EVERY_SECOND:
            return
        if len(self.events) < MOST_EVENTS:
            self.events.append(event)
        if isinstance(item, Gap):
            self.report("gap", **event.data)

    def warn(self, text: str) -> None:
        """Say something the crew must know; it is kept with the run."""
        self.warnings.append(text)
        self.report("warning", text=text)
        self.tell(Event(kind="warning", t_s=self._now_s(), data={"text": text}))

    def check(self, text: str, *, well: bool) -> None:
        """Say how a check came out: loudly when it is not well."""
        if well:
            self.report("check", text=text)
        else:
            self.warn(text)
