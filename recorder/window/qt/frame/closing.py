"""The end of a window that was opened for a while, or for a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PyQt6.QtCore import QTimer

from recorder.window.qt.frame.picture import save_picture

if TYPE_CHECKING:
    from recorder.window.qt.frame.main_window import CrewWindow

__all__ = ["close_after"]


def close_after(window: CrewWindow, seconds: float | None, png: str) -> None:
    """Close after ``seconds`` (None: never), writing a picture before, if ``png`` is given."""
    taken = due = False

    def picture() -> None:
        nonlocal taken
        if png and not taken:
            window.draw_words()
            save_picture(window, png)
        taken = True

    def look() -> None:
        # The picture shows the run while it lives; what this window, attached late, has still to
        # take up is waited for, or it would show readings of long ago.
        if not window.run.caught_up:
            return
        if due or window.run.is_ending or window.run.lost:
            picture()
        if due or window.run.lost:
            window.close()

    def finish() -> None:
        nonlocal due
        due = True
        if png:
            look()
        else:
            window.close()

    if png:
        watch = QTimer(window)
        watch.timeout.connect(look)
        watch.start(100)
    if seconds is not None:
        QTimer.singleShot(max(1, round(seconds * 1000)), finish)
