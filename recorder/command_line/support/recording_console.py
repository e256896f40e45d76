"""A recording as a person at a terminal sees it: reports in lines, the window beside it."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections import deque
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
from recorder.command_line.support.screen import put_line
from recorder.machine.child_process import child_environment, python_command
from recorder.machine.child_reports import LAST_WORDS_S
from recorder.run.parts.states import DeviceState
from recorder.window.qt.frame.preflight import NoScreenError, check_screen

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.acquisition.control.status import SessionStatus
    from recorder.acquisition.process.reports import RecordingReport

__all__ = ["RecordingConsole", "screen_there"]

WINDOW_CLOSES_S: Final = 5.0
"""A window asked to close has nothing to save; after this it hangs and is killed."""
MOST_LINES: Final = 1_000
"""Held for a terminal that takes none; what comes then is left out here, never in the run."""
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
        self._guard = threading.Lock()
        self._reported_s = -LINE_EVERY_S
        self._lines = _Lines()

    def __call__(self, report: RecordingReport) -> None:
        with self._guard:
            match report:
                case Progress(status):
                    self._progress(status)
                case SealProgress(part, what):
                    if self._lines.watched:
                        self._lines.put(f"sealing {100 * part:3.0f} %  {what}", moving=True)
                case SessionOpen(path):
                    if self._window:
                        self._open_window(path)
                case _:
                    if words := _in_words(report):
                        self._lines.put(words)

    def end(self) -> None:
        """Finish the lines; close the window, there is nothing to show any more."""
        self._lines.end()
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
            self._lines.put(
                f"the window was closed (code {code}); recording goes on, Ctrl-C stops it,"
                " testcar window attaches again"
            )
        if self._lines.watched or status.t_s - self._reported_s >= LINE_EVERY_S:
            self._reported_s = status.t_s
            self._lines.put(_status_line(status), moving=True)

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
            self._lines.put(
                f"the window cannot be opened ({error_line(error)}); recording goes on without it"
            )


class _Lines:
    """Writes lines by a thread of its own: a terminal that takes none (it is stopped, or at the far
    end of a line that hangs) holds up nobody else."""

    def __init__(self) -> None:
        self.watched = sys.stderr.isatty()
        self._came = threading.Condition()
        self._held: deque[tuple[str, bool]] = deque()
        """Lines, and whether each is written over by the next."""
        self._left_out = 0
        self._ending = False
        self._moving = False
        self._thread = threading.Thread(target=self._run, name="console", daemon=True)
        self._thread.start()

    def put(self, text: str, *, moving: bool = False) -> None:
        """Have a line written; never waits."""
        with self._came:
            if moving and self._held and self._held[-1][1]:
                self._held[-1] = (text, True)
            elif self._left_out or len(self._held) >= MOST_LINES:
                self._left_out += 1
            else:
                self._held.append((text, moving))
            self._came.notify()

    def end(self) -> None:
        """Give the terminal a while to take the rest."""
        with self._came:
            self._ending = True
            self._came.notify()
        self._thread.join(LAST_WORDS_S)

    def _run(self) -> None:
        while (line := self._next()) is not None:
            try:
                self._write(*line)
            except (OSError, ValueError):
                continue  # nobody reads any more: the run itself keeps what matters

    def _next(self) -> tuple[str, bool] | None:
        with self._came:
            self._came.wait_for(lambda: self._held or self._left_out or self._ending)
            if self._held:
                return self._held.popleft()
            if n := self._left_out:
                self._left_out = 0
                return f"{many(n, 'line')} left out: this terminal took none", False
            return ("", False) if self._moving else None

    def _write(self, text: str, moving: bool) -> None:  # noqa: FBT001 - as it was put
        self._moving = moving and self.watched
        # Nothing is written over by an empty one: it ends the line that moves.
        put_line(text, over=self.watched and bool(text), end="" if self._moving else "\n")


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
