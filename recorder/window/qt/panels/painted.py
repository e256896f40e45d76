"""A panel that paints itself: words never cut off, sizes that follow the window."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent
from PyQt6.QtWidgets import QWidget

from recorder.window.qt.panels.appearance import APPEARANCES, Appearance, font

if TYPE_CHECKING:
    from collections.abc import Hashable

    from PyQt6.QtGui import QFont

__all__ = ["Panel", "fitted", "wrapped", "write"]


class Panel(QWidget):
    """Base of the painted panels: an appearance and a size of small print."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.look: Appearance = APPEARANCES["day"]
        self.small = 13.0
        self._painted: Hashable = None
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        # All of it is filled: nothing need be painted below first.
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)

    def dress(self, look: Appearance, small: float) -> None:
        """Take on an appearance and a size of small print in pixels."""
        self.look, self.small = look, small
        self.update()

    def shown(self) -> Hashable:
        """What the panel shows; None where that may change at any time."""
        return None

    def refresh(self) -> None:
        """Paint the panel again, unless it shows the same as when it last was."""
        shown = self.shown()
        if shown is None or shown != self._painted:
            self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:
        """Fill with the panel's colour and call :meth:`draw`."""
        del event
        self._painted = self.shown()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.TextAntialiasing)
        painter.fillRect(self.rect(), QColor(self.look.panel))
        self.draw(painter, QRectF(self.rect()))
        painter.end()

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """Paint the panel's content."""
        raise NotImplementedError


def fitted(text: str, width: float, height: float, *, bold: bool = False) -> QFont:
    """The largest font in which the text fits the box."""
    trial = font(100.0, bold=bold)
    metrics = QFontMetricsF(trial)
    wide = max(1.0, metrics.horizontalAdvance(text))
    pixels = min(100.0 * width / wide, height / (metrics.height() / 100.0))
    return font(pixels, bold=bold)


def wrapped(
    text: str, width: float, pixels: float, *, most: int, bold: bool = False
) -> list[str]:
    """The text in ``most`` lines at most; only the last may be wider than ``width`` pixels."""
    return list(_wrapped(text, width, pixels, most=most, bold=bold))


@lru_cache(maxsize=256)
def _wrapped(
    text: str, width: float, pixels: float, *, most: int, bold: bool
) -> tuple[str, ...]:
    """An alarm stands for minutes and is painted several times a second."""
    metrics = QFontMetricsF(font(pixels, bold=bold))
    lines: list[str] = []
    line, *words = text.split(" ")
    for word in words:
        longer = f"{line} {word}"
        if len(lines) + 1 < most and metrics.horizontalAdvance(longer) > width:
            lines.append(line)
            longer = word
        line = longer
    return (*lines, line)


def write(
    painter: QPainter,
    area: QRectF,
    text: str,
    colour: str,
    pixels: float,
    *,
    bold: bool = False,
    right: bool = False,
    centre: bool = False,
    keep_end: bool = False,
) -> float:
    """One line of text, elided to the area; returns its width."""
    used = font(pixels, bold=bold)
    painter.setFont(used)
    painter.setPen(QColor(colour))
    metrics = QFontMetricsF(used)
    cut = Qt.TextElideMode.ElideLeft if keep_end else Qt.TextElideMode.ElideRight
    shown = metrics.elidedText(text, cut, area.width())
    side = Qt.AlignmentFlag.AlignLeft
    if right:
        side = Qt.AlignmentFlag.AlignRight
    elif centre:
        side = Qt.AlignmentFlag.AlignHCenter
    painter.drawText(area, int(side | Qt.AlignmentFlag.AlignVCenter), shown)
    return float(metrics.horizontalAdvance(shown))
