"""Hears what a recording reports, so that tests wait for it and for nothing else."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from recorder.acquisition.process.reports import Progress, RecordingReport

if TYPE_CHECKING:
    from recorder.acquisition.control.status import SessionStatus

__all__ = ["Listener"]

LONGEST_S = 60.0


class Listener:
    """Given to a recording as its reporter."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._reports: list[RecordingReport] = []

    def __call__(self, report: RecordingReport) -> None:
        with self._changed:
            self._reports.append(report)
            self._changed.notify_all()

    def wait(self, kind: type[RecordingReport]) -> None:
        """Until it has reported something of this kind, now or before."""
        with self._changed:
            heard = self._changed.wait_for(
                lambda: any(isinstance(r, kind) for r in self._reports), LONGEST_S
            )
        assert heard, f"it never reported {kind.__name__}"

    def status(self, wanted: Callable[[SessionStatus], bool]) -> SessionStatus:
        """The first status from now on that is as wanted; one is reported each second."""
        with self._changed:
            first = len(self._reports)
            found: list[SessionStatus] = []

            def came() -> bool:
                later = (r.status for r in self._reports[first:] if isinstance(r, Progress))
                found[:] = [status for status in later if wanted(status)]
                return bool(found)

            assert self._changed.wait_for(came, LONGEST_S), "it never came to be"
            return found[0]
