"""Start a recording as a process of its own and hold on to it."""

from __future__ import annotations

import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final, Self

from recorder.acquisition.control.client import LiveSession, attach
from recorder.acquisition.preparation.settings import (
    Outcome,
    RecordingError,
    RecordingSettings,
)
from recorder.acquisition.process.main import settings_to_json
from recorder.acquisition.process.reports import (
    RECORDING_REPORTS,
    Done,
    Progress,
    RecordingReport,
    Refused,
    Reporter,
    SessionOpen,
    Started,
    ZeroBegins,
)
from recorder.machine.child_process import ChildProcess, python_command

__all__ = ["RecordingProcess", "start_limit_s", "start_recording"]

START_S: Final = 60.0
"""Sheets, ports, journal and channel take a second or two; a slow disk some more."""


def start_recording(
    car: str | Path,
    trip: str | Path,
    out: str | Path,
    *,
    seconds: float | None = None,
    zero_seconds: float | None = None,
    report: Reporter | None = None,
    **options: Any,  # noqa: ANN401 - the other fields of RecordingSettings
) -> RecordingProcess:
    """Start recording in a process of its own; returns when run time 0 has passed.

    Parameters
    ----------
    car, trip, out
        Car sheet, trip sheet, run file to be made.
    seconds, zero_seconds, options
        As :class:`RecordingSettings`.
    report
        Hears everything the recording reports, in a thread of its own.

    Raises
    ------
    RecordingError
        It could not begin: one line. Nothing is left behind.
    """
    settings = RecordingSettings(
        car_sheet=Path(car).absolute(),
        trip_sheet=Path(trip).absolute(),
        out=Path(out).absolute(),
        seconds=seconds,
        zero_seconds=zero_seconds,
        **options,
    )
    process = RecordingProcess(settings, report)
    try:
        process.wait_started()
    except BaseException:
        process.kill()
        raise
    return process


def start_limit_s(reports: Iterable[RecordingReport]) -> float:
    """How long a start may take, after what it has reported so far: as long as its zero, too."""
    return START_S + sum(r.seconds for r in reports if isinstance(r, ZeroBegins))


class RecordingProcess:
    """A recording in a process of its own. It goes on without us."""

    def __init__(self, settings: RecordingSettings, report: Reporter | None = None) -> None:
        self.reports: list[RecordingReport] = []
        """All it reported, but the every-second progress."""
        self._report = report
        self._session: LiveSession | None = None
        self._began_s = time.monotonic()
        self._child: ChildProcess[RecordingReport] = ChildProcess(
            python_command("recorder.acquisition.process.main", settings_to_json(settings)),
            name="recording",
            table=RECORDING_REPORTS,
            receive=self._receive,
        )

    @property
    def pid(self) -> int:
        """Process id."""
        return self._child.pid

    @property
    def returncode(self) -> int | None:
        """Exit code; None while it records."""
        return self._child.returncode

    @property
    def outcome(self) -> Outcome | None:
        """How it ended, once it has."""
        return next((r.outcome for r in self.reports if isinstance(r, Done)), None)

    @property
    def session_path(self) -> Path:
        """The session file, for windows; raises ``LookupError`` before there is one."""
        for report in self.reports:
            if isinstance(report, SessionOpen):
                return report.path
        msg = "the recording has not opened its session yet"
        raise LookupError(msg)

    @property
    def session(self) -> LiveSession:
        """Attached, once; raises ``SessionError`` when it has ended."""
        if self._session is None:
            self._session = attach(self.session_path)
        return self._session

    def wait_started(self) -> None:
        """Wait until run time 0 has passed; raises :class:`RecordingError` if it never does."""
        # Each report may give it more time, so each is looked at.
        while True:
            known = len(self.reports)
            left_s = self._began_s + start_limit_s(self.reports) - time.monotonic()
            if self._has(Started, Refused) or not self._more_than(known, left_s):
                break
        if self._has(Started):
            return
        why = next((r.problems[0] for r in self.reports if isinstance(r, Refused)), "")
        code = self.returncode
        self.close()
        raise RecordingError(
            why
            or (
                "the recording did not start in time"
                if code is None
                else f"the recording did not start: it ended with exit code {code}"
            )
        )

    def stop(self, timeout_s: float = 120.0) -> int:
        """Stop cleanly and wait for the sealed file; returns the exit code."""
        self._child.interrupt()
        return self.wait(timeout_s)

    def wait(self, timeout_s: float | None = None) -> int:
        """Wait until it has ended by itself; returns the exit code.

        Raises
        ------
        TimeoutError
        """
        code = self._child.wait(timeout_s)
        self.close()
        return code

    def kill(self) -> None:
        """End it at once, as a crash would."""
        self._child.kill()
        self.close()

    def close(self) -> None:
        """Let go of it; a recording still running goes on."""
        if self._session is not None:
            self._session.close()
            self._session = None
        self._child.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        if self.returncode is None:
            self.stop()
        else:
            self.close()

    def _more_than(self, known: int, timeout_s: float) -> bool:
        return self._child.wait_until(lambda: len(self.reports) > known, timeout_s)

    def _has(self, *kinds: type[RecordingReport]) -> bool:
        return any(isinstance(report, kinds) for report in self.reports)

    def _receive(self, report: RecordingReport) -> None:
        if self._report is not None:
            self._report(report)
        if not isinstance(report, Progress):
            self.reports.append(report)
