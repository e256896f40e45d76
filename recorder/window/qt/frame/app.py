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
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Final

from recorder.window.model.shown.options import WAIT_S, add_options
from recorder.window.qt.frame.preflight import NoScreenError, check_screen, use_offscreen

if TYPE_CHECKING:
    from types import TracebackType

    from PyQt6.QtWidgets import QApplication

    from recorder.acquisition.control.client import LiveSession
    from recorder.window.qt.frame.main_window import CrewWindow

__all__ = ["application", "leave", "main", "run_options", "run_window"]

SIZE: Final = (1600, 900)


def run_window(
    session_path: str | Path | None = None,
    *,
    png: str | Path | None = None,
    seconds: float | None = None,
    appearance: str = "day",
    units: str = "",
    axis: str = "time",
    size: tuple[int, int] | None = None,
    fps: float = 30.0,
    full_screen: bool = False,
    route: str | Path | None = None,
    measure: str | Path | None = None,
    wait_s: float = WAIT_S,
) -> int:
    """Attach to a recording and show it; returns the exit code.

    Parameters
    ----------
    session_path
        A session file or the run file being recorded; None: the only one running.
    png
        Write a picture when the window closes; without ``seconds``, after 3 s. With neither
        DISPLAY nor WAYLAND_DISPLAY set, the window is drawn without a screen.
    seconds
        Close after so long; None: when the crew closes it.
    measure
        Write a CSV of each frame: when it was painted, and of each device the newest sample
        drawn and when that was received, s of run time.

    Raises
    ------
    NoScreenError
        No window can be opened here; says what to install.
    SessionError
        No such recording, after waiting ``wait_s`` for it.
    ValueError
        The run's sheets or certificates do not read.
    """
    if png is not None and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        use_offscreen()
    check_screen()
    session = _attach(session_path, wait_s)
    from recorder.window.model.live.live_run import LiveRun
    from recorder.window.qt.frame.measuring import FrameLog

    run = LiveRun(session, route_path=route, attach_again=lambda: _again(session))
    try:
        app = application()
        from recorder.window.qt.frame.main_window import CrewWindow
        from recorder.window.qt.frame.picture import destroy

        window = CrewWindow(run, appearance=appearance, fps=fps)
        if units:
            window.system = units
        if axis == "distance":
            window.paper.view.turn()
        _show(window, size or _usual_size(app), full_screen=full_screen)
        log = None if measure is None else FrameLog(measure, window)
        _close_after(window, 3.0 if png is not None and seconds is None else seconds, png)
        run.start()
        window.start()
        code = app.exec()
        if log is not None:
            log.close()
        destroy(window)
    finally:
        run.close()
    return int(code)


def _attach(path: str | Path | None, wait_s: float) -> LiveSession:
    """Attach; a recording that is just starting is waited for."""
    from recorder.acquisition.control.client import SessionError, attach

    until = time.monotonic() + wait_s
    pause = threading.Event()
    while True:
        try:
            return attach(path)
        except SessionError as error:
            if time.monotonic() >= until or "say which" in str(error):
                raise
            pause.wait(0.2)


def _again(session: LiveSession) -> LiveSession:
    from recorder.acquisition.control.client import attach

    return attach(session.path)


def application() -> QApplication:
    """The one QApplication, with fonts and an excepthook: an error must not end the window."""
    from PyQt6.QtWidgets import QApplication

    from recorder.window.qt.panels.appearance import font, load_fonts

    sys.excepthook = _tell
    held = QApplication.instance()
    app = held if isinstance(held, QApplication) else QApplication(sys.argv[:1])
    load_fonts()
    app.setFont(font(13))
    return app


def _tell(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """Without a hook of one's own, PyQt ends the process at an error in a slot."""
    traceback.print_exception(kind, error, trace)
    from PyQt6.QtWidgets import QApplication

    for window in QApplication.topLevelWidgets():
        run = getattr(window, "run", None)
        if run is not None:
            run.message = f"window error, recording goes on: {kind.__name__}: {error}"


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


def _close_after(window: CrewWindow, seconds: float | None, png: str | Path | None) -> None:
    from PyQt6.QtCore import QTimer

    from recorder.window.qt.frame.picture import save_picture

    taken = False

    def picture() -> None:
        nonlocal taken
        if png is not None and not taken:
            window.draw_words()
            save_picture(window, png)
        taken = True

    def look() -> None:
        # The picture shows the run while it lives; after that there is nothing to wait for.
        if window.run.stopping or window.run.lost:
            picture()
            if window.run.lost:
                window.close()

    def finish() -> None:
        picture()
        window.close()

    if png is not None:
        watch = QTimer(window)
        watch.timeout.connect(look)
        watch.start(100)
    if seconds is not None:
        QTimer.singleShot(max(1, round(seconds * 1000)), finish)


def run_options(args: argparse.Namespace) -> int:
    """Run the window as the options say; raises as :func:`run_window`."""
    if not 1.0 <= args.fps <= 60.0:
        msg = f"--fps must be from 1 to 60, got {args.fps:g}"
        raise ValueError(msg)
    if args.seconds is not None and not 0.0 < args.seconds < 1e7:
        msg = f"--seconds must be above 0, got {args.seconds:g}"
        raise ValueError(msg)
    return run_window(
        args.session,
        png=args.png,
        seconds=args.seconds,
        appearance=args.appearance,
        units=args.units,
        axis=args.axis,
        size=args.size,
        fps=args.fps,
        full_screen=args.full_screen,
        route=args.route,
        measure=args.measure,
        wait_s=args.wait,
    )


def main(argv: list[str] | None = None) -> int:
    """Command line of this module; one line and exit code 2 on an error."""
    parser = argparse.ArgumentParser(
        prog="python -m recorder.window.qt.frame.app", description=__doc__
    )
    add_options(parser)
    args = parser.parse_args(argv)
    try:
        return run_options(args)
    except (NoScreenError, OSError, ValueError) as error:
        sys.stderr.write(f"window: {' '.join(str(error).split())}\n")
        return 2


def leave(code: int) -> None:
    """End this process, which owns no data, without taking the toolkit apart: that may crash.

    Where a test or another program runs this code, do not call it.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    leave(main())
