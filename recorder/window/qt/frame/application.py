"""The one QApplication of a process, and a hook that keeps an error from ending the window."""

from __future__ import annotations

import sys
import traceback
from typing import TYPE_CHECKING

from PyQt6.QtCore import QCoreApplication, QEvent
from PyQt6.QtWidgets import QApplication

from recorder.window.qt.panels.appearance import font, load_fonts

if TYPE_CHECKING:
    from types import TracebackType

    from PyQt6.QtWidgets import QWidget

__all__ = ["application", "destroy"]


def application() -> QApplication:
    """The one QApplication, with our fonts; an error in a slot is reported and does not end it."""
    sys.excepthook = _report_error
    held = QApplication.instance()
    app = held if isinstance(held, QApplication) else QApplication(sys.argv[:1])
    load_fonts()
    app.setFont(font(13))
    return app


def destroy(widget: QWidget) -> None:
    """Close a widget and take it apart now: one that lingers takes part in later events."""
    widget.close()
    widget.deleteLater()
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)


def _report_error(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    """Without a hook of one's own, PyQt ends the process at an error in a slot."""
    traceback.print_exception(kind, error, trace)
    for window in QApplication.topLevelWidgets():
        run = getattr(window, "run", None)
        if run is not None:
            run.message = f"window error, recording goes on: {kind.__name__}: {error}"
