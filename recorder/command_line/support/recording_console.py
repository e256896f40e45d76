"""A recording as a person at a terminal sees it: reports in lines, the window beside it."""

from __future__ import annotations

import subprocess
import sys
import threading
from typing import TYPE_CHECKING, Final

from calibration.quantities.printable import error_line
from calibration.quantities.written import many
from recorder.acquisition.process.reports import (
    CheckReport,
    GapReport,
    Progress,
    SealProgress,
    SessionOpen,
    Started,
    Stopping,
    Swept,
    Warned,
    ZeroBegins,
)
from recorder.command_line.support.screen import steer
from recorder.machine.child_process import child_environment, python_command
from recorder.run.parts.states import DeviceState
from recorder.window.qt.frame.preflight import NoScreenError, check_screen

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.acquisition.control.status import SessionStatus
    from recorder.acquisition.process.reports import RecordingReport

__all__ = ["RecordingConsole", "screen_there"]

WINDOW_CLOSES_S: Final = 5.0
"""A window asked to close has nothing to save; after this it hangs and is killed."""
LINE_EVERY_S: Final = 10.0
"""How often progress is reported where no terminal shows a moving line."""


def screen_there(doing: str) -> bool:
    """Whether a window can open; what is being done goes on without, and says why."""
    try:
        check_screen()
    except NoScreenError as error:
        print(f"{doing} without a window: {error}", file=sys.stderr)
        return False
    return True


class RecordingConsole:
    """Reports to a person on the standard error; opens the window once there is a session."""

    def __init__(self, *, window: bool) -> None:
        self._window = window
        self._process: subprocess.Popen[bytes] | None = None
        self._watched = sys.stderr.isatty()
        self._guard = threading.Lock()
        self._reported_s = -LINE_EVERY_S
        self._moving = False

    def __call__(self, report: RecordingReport) -> None:
        with self._guard:
            match report:
                case Progress(status):
                    self._progress(status)
                case SealProgress(part, what):
                    if self._watched:
                        self._line(f"sealing {100 * part:3.0f} %  {what}", moving=True)
                case SessionOpen(path):
                    if self._window:
                        self._open_window(path)
                case _:
                    if words := _in_words(report):
                        self._line(words)

    def end(self) -> None:
        """Finish a moving line; close the window, there is nothing to show any more."""
        with self._guard:
            if self._moving:
                print(file=sys.stderr)
                self._moving = False
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(WINDOW_CLOSES_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def _progress(self, status: SessionStatus) -> None:
        if self._process is not None and (code := self._process.poll()) is not None:
            self._process = None
            self._line(
                f"the window was closed (code {code}); recording goes on, Ctrl-C stops it,"
                " testcar window attaches again"
            )
        if self._watched or status.t_s - self._reported_s >= LINE_EVERY_S:
            self._reported_s = status.t_s
            self._line(_status_line(status), moving=True)

    def _line(self, text: str, *, moving: bool = False) -> None:
        if not self._watched:
            print(text, file=sys.stderr, flush=True)
            return
        end = "" if moving else "\n"
        steer("\r\x1b[K")
        print(text, end=end, file=sys.stderr, flush=True)
        self._moving = moving

    def _open_window(self, session_path: Path) -> None:
        """In a process of its own: whatever becomes of it, recording goes on."""
        try:
            self._process = subprocess.Popen(
                python_command("recorder.window.qt.frame.app", "--session", session_path),
                env=child_environment(),
                # In a session of its own, so that a Ctrl-C meant for the recording spares it.
                start_new_session=True,
            )
        except OSError as error:
            self._line(
                f"the window cannot be opened ({error_line(error)}); recording goes on without it"
            )


def _status_line(status: SessionStatus) -> str:
    parts = [f"{status.t_s:8.1f} s"]
    for name, device in status.devices.items():
        state = device.state
        word = "" if state is DeviceState.RUNNING else f" {state.upper()}"
        gaps = f" {many(device.gaps, 'gap')}" if device.gaps else ""
        parts.append(f"{name} {device.rate_hz:.0f}/s{gaps}{word}")
    parts.append(many(status.marks, "mark"))
    if status.disk_hours_left is not None:
        parts.append(f"disk {status.disk_hours_left:.0f} h")
    if words := status.keeping.words:
        parts.append(words.upper())
    return "  ".join(parts)


def _in_words(report: RecordingReport) -> str:
    """A report as a line for a person; empty for one that has none."""
    match report:
        case Warned(text):
            return f"warning: {text}"
        case CheckReport(text) | Swept(text):
            return text
        case ZeroBegins(seconds):
            return f"taking the zero for {seconds:g} s: train at rest, coupler slack"
        case Started(run):
            return f"recording to {run}; Ctrl-C stops it and seals the run file"
        case GapReport(gap):
            return (
                f"gap: {gap.device} {gap.t_start_s:.2f} to {gap.t_end_s:.2f} s,"
                f" {gap.cause}: {gap.detail}"
            )
        case Stopping(reason):
            return f"stopping: {reason}"
        case _:
            return ""
