"""Pictures of the window, without a screen if need be."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recorder.window.qt.frame.application import application, destroy
from recorder.window.qt.frame.main_window import CrewWindow
from recorder.window.qt.frame.preflight import draw_unseen

if TYPE_CHECKING:
    from recorder.window.model.live.live_run import LiveRun

__all__ = ["render_window", "save_picture"]


def save_picture(widget: Any, path: str | Path) -> None:  # noqa: ANN401 - any QWidget
    """Write what a widget shows as PNG; raises ``OSError`` when the file cannot be written."""
    file = Path(path)
    fresh = file.with_name(file.name + ".new.png")
    if not widget.grab().save(str(fresh), "PNG"):
        msg = f"{file}: the picture cannot be written"
        raise OSError(msg)
    fresh.replace(file)


def render_window(
    run: LiveRun,
    png_path: str | Path,
    size: tuple[int, int] = (1600, 900),
    appearance: str = "day",
    *,
    axis: str = "time",
    prepare: Any = None,  # noqa: ANN401 - called with the window before it is drawn
) -> None:
    """Draw a run as the window would show it now, and write the picture.

    The run may be started or stepped by hand; it is not closed. Raises ``OSError`` when the
    picture cannot be written.
    """
    draw_unseen()
    app = application()
    window = CrewWindow(run, appearance=appearance)
    try:
        window.resize(*size)
        if axis == "distance":
            window.paper.view.turn()
        if prepare is not None:
            prepare(window)
        window.show()
        until = time.monotonic() + 0.3
        frames = 0
        while frames < 3 or time.monotonic() < until:
            window.draw_frame()
            window.draw_words()
            app.processEvents()
            frames += 1
        save_picture(window, png_path)
    finally:
        destroy(window)
