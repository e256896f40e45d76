"""What lies on a strip: strokes of a pen, and bands where data are missing.

An item covers its whole view: nothing is asked of the data but to be drawn, and however much there
is, one item draws it.
"""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING

import pyqtgraph as pg
from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QBrush, QColor, QPainter, QPainterPath, QPen

if TYPE_CHECKING:
    from collections.abc import Iterable

    from PyQt6.QtWidgets import QStyleOptionGraphicsItem, QWidget

__all__ = ["GapBands", "Strokes", "level", "upright"]


def level(heights: Iterable[float], view: QRectF) -> QPainterPath:
    """Lines across the view, as one path."""
    path = QPainterPath()
    for y in heights:
        path.moveTo(view.left(), y)
        path.lineTo(view.right(), y)
    return path


def upright(lines: Iterable[tuple[float, float, float]]) -> QPainterPath:
    """Vertical lines, each of its place, foot and head, as one path."""
    path = QPainterPath()
    for x, foot, head in lines:
        path.moveTo(x, foot)
        path.lineTo(x, head)
    return path


class _Item(pg.GraphicsObject):  # type: ignore[misc]  # a library without types
    """Covers the view, which stands still while the paper moves under it."""

    def __init__(self) -> None:
        super().__init__()
        self._view = QRectF()

    def cover(self, view: QRectF) -> None:
        """Take this for the view, in its own units."""
        if view != self._view:
            self.prepareGeometryChange()
            self._view = view

    def boundingRect(self) -> QRectF:
        """The view: what lies beyond is cut off."""
        return self._view

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionGraphicsItem | None = None,
        widget: QWidget | None = None,
    ) -> None:
        """As Qt has it."""
        del option, widget
        self.draw(painter)

    @abstractmethod
    def draw(self, painter: QPainter) -> None:
        """Draw what is shown, in the view's units."""


class Strokes(_Item):
    """Lines of one pen."""

    def __init__(self) -> None:
        super().__init__()
        self._path = QPainterPath()
        self.pen = QPen()

    def show_path(self, path: QPainterPath) -> None:
        """Draw these lines and no others."""
        if not (path.isEmpty() and self._path.isEmpty()):
            self._path = path
            self.update()

    def draw(self, painter: QPainter) -> None:
        """One path: as sharp as the screen's pixels."""
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, on=False)
        painter.setPen(self.pen)
        painter.drawPath(self._path)


class GapBands(_Item):
    """Hatched bands where data are missing."""

    def __init__(self) -> None:
        super().__init__()
        self._spans: list[tuple[float, float]] = []
        self.colour = QColor("#888888")

    def show_spans(self, spans: list[tuple[float, float]]) -> None:
        """Show these stretches of x, over the whole height."""
        if spans != self._spans:
            self._spans = spans
            self.update()

    def draw(self, painter: QPainter) -> None:
        """Hatch in screen pixels; at least three wide, so that a short gap is seen."""
        if not self._spans:
            return
        transform = painter.transform()
        painter.save()
        painter.resetTransform()
        for a, b in self._spans:
            band = QRectF(a, self._view.top(), b - a, self._view.height())
            on_screen = transform.mapRect(band)
            if on_screen.width() < 3.0:
                on_screen.setWidth(3.0)
            wash = QColor(self.colour)
            wash.setAlpha(50)
            painter.fillRect(on_screen, wash)
            painter.fillRect(on_screen, QBrush(self.colour, Qt.BrushStyle.BDiagPattern))
        painter.restore()
