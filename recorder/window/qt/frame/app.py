"""Open the crew's window on a running recording, or draw a picture of it.

Also a module of its own::

    python -m recorder.window.qt.frame.app --session RUN.h5 --png OUT.png --seconds 5
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.quantities.printable import error_line
from recorder.acquisition.control.client import attach
from recorder.acquisition.control.session_files import SessionError
from recorder.machine.host import WINDOW, give_way
from recorder.window.model.live.calls import Calls
from recorder.window.model.live.live_run import LiveRun
from recorder.window.model.shown.options import WindowOptions, add_options, options_of
from recorder.window.qt.frame.preflight import (
    NoScreenError,
    check_screen,
    draw_unseen,
)

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QApplication

    from recorder.acquisition.control.client import LiveSession
    from recorder.window.qt.frame.main_window import CrewWindow

__all__ = ["attach_when_there", "leave", "main", "run_window"]

SIZE: Final = (1600, 900)
PICTURE_S: Final = 3.0
"""Long enough for the first traces to be seen in a picture."""
LOOK_AGAIN_S: Final = 0.2


def run_window(options: WindowOptions) -> int:
    """Attach to a recording and show it; returns the exit code.

    Raises
    ------
    NoScreenError
        No window can be opened here; says what to install.
    SessionError
        No such recording, after waiting for it.
    ValueError
        The run's sheets or certificates do not read.
    """
    if options.png:
        draw_unseen()
    check_screen()
    session = attach_when_there(options.session or None, options.wait_s)
    run = LiveRun(
        session,
        route_path=options.route or None,
        attach_again=lambda: attach(session.path),
        calls=Calls(Path(options.calls)) if options.calls else None,
    )
    try:
        return _show_until_closed(run, options)
    finally:
        run.close()


def _show_until_closed(run: LiveRun, options: WindowOptions) -> int:
    # Only here is Qt imported, once it is known to load: its lack is one line, not a traceback.
    from recorder.window.qt.frame.application import application, destroy
    from recorder.window.qt.frame.closing import close_after
    from recorder.window.qt.frame.main_window import CrewWindow
    from recorder.window.qt.frame.measuring import FrameLog

    app = application()
    window = CrewWindow(run, appearance=options.appearance, fps=options.fps)
    if options.units:
        window.system = options.units
    if options.axis == "distance":
        window.paper.view.turn()
    if options.paper is not None:
        window.paper.view.show(options.paper)
    _show(window, options.size or _usual_size(app), full_screen=options.full_screen)
    log = FrameLog(options.measure, window) if options.measure else None
    seconds = PICTURE_S if options.png and options.seconds is None else options.seconds
    close_after(window, seconds, options.png)
    run.start()
    window.start()
    code = app.exec()
    if log is not None:
        log.close()
    destroy(window)
    return int(code)


def attach_when_there(path: str | None, wait_s: float) -> LiveSession:
    """Attach; a recording that is just starting is waited for, ``wait_s`` at most.

    Raises
    ------
    SessionError
        There is none, or there are several and none was named.
    """
    until = time.monotonic() + wait_s
    pause = threading.Event()
    while True:
        try:
            return attach(path)
        except SessionError as error:
            if time.monotonic() >= until or "say which" in str(error):
                raise
            # Nothing announces a session file on every system: look again now and then.
            pause.wait(LOOK_AGAIN_S)


def _usual_size(app: QApplication) -> tuple[int, int]:
    screen = app.primaryScreen()
    if screen is None or app.platformName() in ("offscreen", "minimal"):
        return SIZE
    room = screen.availableGeometry()
    return min(SIZE[0], room.width()), min(SIZE[1], room.height())


def _show(window: CrewWindow, size: tuple[int, int], *, full_screen: bool) -> None:
    window.resize(*size)
    window.setMinimumSize(800, 480)
    if full_screen:
        window.showFullScreen()
    else:
        window.show()


def main(argv: list[str] | None = None) -> int:
    """Command line of this module; one line and exit code 2 on an error."""
    parser = argparse.ArgumentParser(
        prog="python -m recorder.window.qt.frame.app", description=__doc__
    )
    add_options(parser)
    args = parser.parse_args(argv)
    try:
        return run_window(options_of(args))
    except (NoScreenError, OSError, ValueError) as error:
        sys.stderr.write(f"window: {error_line(error)}\n")
        return 2


def leave(code: int) -> None:
    """End this process, which owns no data, without taking the toolkit apart: that may crash.

    Where a test or another program runs this code, do not call it.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    give_way(WINDOW)
    leave(main())
