"""The window beside a demo: on the screen where there is one, else drawn for its picture."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING, Final

from recorder.machine.child_process import child_environment, python_command

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["WindowBeside"]

PICTURE_SIZE: Final = "1600x1000"
UNSEEN_FPS: Final = "4"
"""Where nobody looks, drawing need not be smooth."""
CLOSES_S: Final = 30.0


class WindowBeside:
    """A window in a process of its own; it writes its picture when the run ends, or is due."""

    def __init__(
        self,
        session: Path,
        png: Path,
        *,
        unseen: bool,
        seconds: float = 86_400.0,
        paper: float | None = None,
        calls: Path | None = None,
    ) -> None:
        """Open it on a session, ``unseen`` without a screen."""
        words = ["--session", str(session), "--png", str(png), "--seconds", f"{seconds:.1f}"]
        if paper is not None:
            words += ["--paper", f"{paper:g}"]
        if calls is not None:
            words += ["--calls", str(calls)]
        environment = child_environment()
        if unseen:
            environment["QT_QPA_PLATFORM"] = "offscreen"
            words += ["--size", PICTURE_SIZE, "--fps", UNSEEN_FPS]
        self._child = subprocess.Popen(
            python_command("recorder.window.qt.frame.app", *words),
            env=environment,
            stdin=subprocess.DEVNULL,
        )

    def close(self) -> None:
        """It ends by itself when the run has; one that hangs is ended, since it owns nothing."""
        try:
            self._child.wait(CLOSES_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
            print(
                "demo: the window did not close and was ended; the run is not touched by that"
            )
