"""The paper's axes: clock or distance below, plain numbers at the side."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import pyqtgraph as pg
from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen

from calibration.quantities.written import written

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from PyQt6.QtGui import QFont
    from PyQt6.QtWidgets import QStyleOptionGraphicsItem, QWidget

__all__ = ["PaperAxis", "ValueAxis", "grid_pen"]

_GRID: Final = 70 / 255
_ABOVE_TEXT: Final = 2.0
_MOST_WORDS: Final = 500


def grid_pen(colour: str, paper: str) -> QPen:
    """Of the grid's lines, which recede behind the pens: as if laid thinly over the paper. Thin in
    truth, lines are many times slower to draw."""
    line, ground = QColor(colour), QColor(paper)
    parts = zip(line.getRgb()[:3], ground.getRgb()[:3], strict=True)
    return QPen(QColor(*(round(b + (a - b) * _GRID) for a, b in parts)), 0)


def _round_step(least: float) -> float:
    """The next of 1, 2, 5, 10 times a power of ten."""
    if not (least > 0.0 and math.isfinite(least)):
        return 1.0
    power = 10.0 ** math.floor(math.log10(least))
    return next(s for s in (1.0, 2.0, 5.0, 10.0) if s * power >= least * (1 - 1e-9)) * power


class PaperAxis(pg.AxisItem):  # type: ignore[misc]  # a library without types
    """Bottom axis: the railway's clock, or distance.

    Its view stands still while the paper moves under it, so it paints itself at every move, and
    straight to the screen: recorded first and played then, text costs several times as much.
    """

    def __init__(self) -> None:
        super().__init__("bottom")
        self.axis = "time"
        self.start = datetime(2000, 1, 1, tzinfo=UTC)
        self.zone: ZoneInfo | None = None
        self.factor = 1e-3
        self._x0, self._span, self._step = 0.0, 1.0, 1.0
        self._values: list[float] = []
        self._sizes: dict[str, QRectF] = {}
        self.enableAutoSIPrefix(enable=False)

    def show_stretch(self, x0: float, x1: float) -> list[float]:
        """Show this stretch of paper, in seconds or metres; returns where its ticks are, from x0
        on."""
        self._x0, self._span = x0, x1 - x0
        ((self._step, offset),) = self.tickSpacing(x0, x1, self.geometry().width())
        first = math.ceil((x0 - offset) / self._step)
        last = math.floor((x1 - offset) / self._step)
        self._values = [n * self._step + offset for n in range(first, last + 1)]
        self.update()
        return [value - x0 for value in self._values]

    def setTickFont(self, font: QFont) -> None:  # pyqtgraph's name
        """Words of another size are measured anew."""
        super().setTickFont(font)
        self._sizes.clear()

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionGraphicsItem | None = None,
        widget: QWidget | None = None,
    ) -> None:
        """The axis' line, and the words of the ticks."""
        del option, widget
        box = self.mapRectFromParent(self.geometry())
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, on=False)
        painter.setPen(self.pen())
        painter.drawLine(box.topLeft() + QPointF(-1.0, 1.0), box.topRight() + QPointF(1.0, 1.0))
        painter.setFont(self.style["tickFont"])
        painter.setPen(self.textPen())
        words = self.tickStrings(self._values, 1.0, self._step)
        for value, text in zip(self._values, words, strict=True):
            middle = box.left() + (value - self._x0) / self._span * box.width()
            place = QRectF(self._size(painter, text))
            place.moveTopLeft(QPointF(middle - place.width() / 2, box.top() + _ABOVE_TEXT))
            if place.left() >= box.left() and place.right() <= box.right():
                flags = Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop
                painter.drawText(place, int(flags | Qt.TextFlag.TextDontClip), text)

    def _size(self, painter: QPainter, words: str) -> QRectF:
        if words not in self._sizes:
            if len(self._sizes) >= _MOST_WORDS:
                self._sizes.clear()
            room = QRectF(0.0, 0.0, 100.0, 100.0)
            self._sizes[words] = painter.boundingRect(
                room, int(Qt.AlignmentFlag.AlignCenter), words
            )
        return self._sizes[words]

    def tickSpacing(  # pyqtgraph's name
        self, minVal: float, maxVal: float, size: float
    ) -> list[tuple[float, float]]:
        """Round seconds and minutes, or round distances; no smaller ticks."""
        span = abs(maxVal - minVal)
        wanted = span / max(2.0, size / 130.0)
        if self.axis == "time":
            rounds = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
            step = float(next((r for r in rounds if r >= wanted), 28800))
            return [(step, -self._seconds_of_day() % step)]
        return [(_round_step(wanted * self.factor) / self.factor, 0.0)]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """Words of the ticks."""
        del scale
        if self.axis == "time":
            return [self._clock(v) for v in values]
        decimals = max(0, -math.floor(math.log10(max(spacing * self.factor, 1e-6)) + 1e-9))
        # Before the run began there is no paper.
        return [f"{v * self.factor:.{min(decimals, 3)}f}" if v > -1e-9 else "" for v in values]

    def _seconds_of_day(self) -> float:
        """Of the run's beginning, on the clock shown: ticks stand on its round seconds."""
        start = self.start.astimezone(self.zone) if self.zone else self.start
        return start.hour * 3600 + start.minute * 60 + start.second + start.microsecond / 1e6

    def _clock(self, t_s: float) -> str:
        when = self.start + timedelta(seconds=t_s + 0.001)
        return (when.astimezone(self.zone) if self.zone else when).strftime("%H:%M:%S")


class ValueAxis(pg.AxisItem):  # type: ignore[misc]  # a library without types
    """Few plain numbers with a true minus sign, and perhaps their unit."""

    def __init__(self, side: str = "left", unit: str = "") -> None:
        super().__init__(side)
        self._unit = f" {unit}" if unit else ""
        self._room = 21.0 if side == "left" else 80.0
        self.enableAutoSIPrefix(enable=False)

    def tickSpacing(  # pyqtgraph's name
        self, minVal: float, maxVal: float, size: float
    ) -> list[tuple[float, float]]:
        """One row of round numbers, as many as there is room for."""
        wanted = abs(maxVal - minVal) / max(2.0, size / self._room)
        return [(_round_step(wanted), 0.0)]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """Words of the ticks."""
        del scale
        decimals = max(0, -math.floor(math.log10(max(spacing, 1e-9)) + 1e-9))
        return [f"{written(v, decimals)}{self._unit}" for v in values]
