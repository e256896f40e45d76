"""The paper: one strip a pen, marks on a rail above, everything moving together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyqtgraph as pg
from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QBrush, QColor, QPainter, QPen
from PyQt6.QtWidgets import QGraphicsItem

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.editions import shown_quantity
from calibration.quantities.written import written
from recorder.window.qt.panels.appearance import Appearance, font

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray
    from PyQt6.QtWidgets import QStyleOptionGraphicsItem, QWidget

    from recorder.window.model.trace.pens import Pen
    from recorder.window.model.trace.pyramid import Columns

__all__ = ["GapBands", "PaperAxis", "PenStrip", "Scale", "ValueAxis", "path_arrays"]

_LEAST: Final = {"pull": 10.0, "speed": 2.0 / KM_H_PER_M_S, "power": 50.0}
"""Smallest reach of a strip, kN, m/s, kW: a quiet pen must not be drawn as a wild one."""
_LEAST_COUNTS: Final = 100.0
"""The same for a channel without a certificate: a quiet cell scatters by some counts (common
practice)."""
_DASHES: Final = {"solid": (1, 1), "dashed": (14, 20), "dotted": (3, 7), "dash-dot": (11, 13)}
"""Columns drawn of columns in a period; the pattern moves with the paper."""


def path_arrays(
    columns: Columns, factor: float, style: str, width: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int32]]:
    """Columns as one path: (2n,) x, (2n,) y, (2n,) whether a point is joined to the next.

    The stroke from lowest to highest of a column is always drawn: a broken style thins only
    the links between columns, so nothing measured is hidden by it.
    """
    known = np.isfinite(columns.low)
    x, low, high = columns.x[known], columns.low[known] * factor, columns.high[known] * factor
    # A column is joined back only if nothing unknown was left out between.
    last_unknown = np.maximum.accumulate(np.where(known, -1, np.arange(len(known))))[known]
    index = np.flatnonzero(known)
    joined = columns.joined[known]
    if len(index) > 1:
        joined[1:] &= last_unknown[1:] <= index[:-1]
    n = len(x)
    middle = low + high
    rising = np.concatenate(([True], middle[1:] >= middle[:-1])) if n else np.empty(0, bool)
    xs = np.repeat(x, 2)
    ys = np.empty(2 * n)
    ys[0::2], ys[1::2] = np.where(rising, low, high), np.where(rising, high, low)
    link = np.zeros(2 * n, dtype=np.int32)
    link[0::2] = 1
    if n > 1:
        on, period = _DASHES.get(style, (1, 1))
        drawn = (np.floor(x[1:] / width).astype(np.int64) % period) < on
        link[1:-1:2] = joined[1:] & drawn
    return xs, ys, link


@dataclass(slots=True)
class Scale:
    """Finds a pen's scale: grows at once, shrinks only after a while."""

    low: float | None = None
    high: float | None = None
    """Given by the car sheet, as shown; None: found here."""
    least: float = 1.0
    """A scale is never narrower."""
    shown: tuple[float, float] = (0.0, 1.0)
    _roomy: int = 0

    def update(self, extent: tuple[float, float] | None) -> tuple[float, float]:
        """The scale for data of this extent (as shown); None keeps it."""
        wanted = self._wanted(extent)
        low, high = self.shown
        if wanted is None:
            return self.shown
        narrower = (wanted[1] - wanted[0]) < 0.6 * (high - low)
        if wanted[0] < low or wanted[1] > high or high - low <= 0 or self.shown == (0.0, 1.0):
            grown = self.shown != (0.0, 1.0)
            self.shown = (min(wanted[0], low), max(wanted[1], high)) if grown else wanted
            self._roomy = 0
        elif narrower:
            self._roomy += 1
            if self._roomy > 150:
                self.shown, self._roomy = wanted, 0
        else:
            self._roomy = 0
        return self.shown

    def _wanted(self, extent: tuple[float, float] | None) -> tuple[float, float] | None:
        if self.low is not None and self.high is not None:
            low, high = self.low, self.high
            if extent is None:
                return low, high
            # Beyond the sheet's scale the pen is followed, not lost.
            return min(low, _nice(extent[0])), max(high, _nice(extent[1]))
        if extent is None or not all(map(math.isfinite, extent)):
            return None
        low, high = min(0.0, extent[0]), max(0.0, extent[1])
        if high - low < self.least:
            high = low + self.least
        return _nice(1.08 * low), _nice(1.12 * high)


def _nice(value: float) -> float:
    """Away from zero to the next of 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten."""
    if value == 0.0 or not math.isfinite(value):
        return 0.0
    power = 10.0 ** math.floor(math.log10(abs(value)))
    steps = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    step = next(s for s in steps if s * power >= abs(value) * (1 - 1e-9))
    return math.copysign(step * power, value)


def _round_step(least: float) -> float:
    """The next of 1, 2, 5, 10 times a power of ten."""
    if not (least > 0.0 and math.isfinite(least)):
        return 1.0
    power = 10.0 ** math.floor(math.log10(least))
    return next(s for s in (1.0, 2.0, 5.0, 10.0) if s * power >= least * (1 - 1e-9)) * power


class PaperAxis(pg.AxisItem):  # type: ignore[misc]  # a library without types
    """Bottom axis: the railway's clock, or distance."""

    def __init__(self) -> None:
        super().__init__("bottom")
        self.axis = "time"
        self.start = datetime(2000, 1, 1, tzinfo=UTC)
        self.zone: ZoneInfo | None = None
        self.factor = 1e-3
        self.enableAutoSIPrefix(enable=False)

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


class GapBands(pg.GraphicsObject):  # type: ignore[misc]  # a library without types
    """Hatched bands where data are missing. One item for all of them: nothing to leak."""

    def __init__(self) -> None:
        super().__init__()
        self._spans: list[tuple[float, float]] = []
        self._rect = QRectF()
        self.colour = QColor("#888888")

    def show_spans(self, spans: list[tuple[float, float]], view: QRectF) -> None:
        """Show these stretches of x, over the whole height."""
        if spans != self._spans or view != self._rect:
            self.prepareGeometryChange()
            self._spans, self._rect = spans, view
            self.update()

    def boundingRect(self) -> QRectF:
        """The view: bands are cut to it."""
        return self._rect

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionGraphicsItem | None = None,
        widget: QWidget | None = None,
    ) -> None:
        """Hatch in screen pixels; at least three wide, so that a short gap is seen."""
        del option, widget
        if not self._spans:
            return
        transform = painter.transform()
        painter.save()
        painter.resetTransform()
        for a, b in self._spans:
            band = QRectF(a, self._rect.top(), b - a, self._rect.height())
            on_screen = transform.mapRect(band)
            if on_screen.width() < 3.0:
                on_screen.setWidth(3.0)
            wash = QColor(self.colour)
            wash.setAlpha(50)
            painter.fillRect(on_screen, wash)
            painter.fillRect(on_screen, QBrush(self.colour, Qt.BrushStyle.BDiagPattern))
        painter.restore()


class PenStrip:
    """One pen's strip: plot, curve, zero line, mark lines, gap bands, title."""

    def __init__(self, pen: Pen, plot: Any) -> None:  # noqa: ANN401 - pyqtgraph has no types
        self.pen = pen
        self.plot = plot
        plot.setMenuEnabled(False)
        plot.hideButtons()
        plot.setMouseEnabled(x=False, y=False)
        plot.disableAutoRange()
        self.bands = GapBands()
        self.zero = pg.InfiniteLine(pos=0.0, angle=0)
        self.marks = pg.PlotCurveItem(connect="pairs", skipFiniteCheck=True)
        self.pending = pg.PlotCurveItem(connect="pairs", skipFiniteCheck=True)
        self.curve = pg.PlotCurveItem(skipFiniteCheck=True)
        for item in (self.bands, self.zero, self.marks, self.pending, self.curve):
            plot.addItem(item, ignoreBounds=True)
        self.title = pg.TextItem(anchor=(0, 0))
        self.title.setParentItem(plot.getViewBox())
        self.title.setPos(6, 1)
        self.scale = Scale()
        self._factor = 1.0
        self.extent: tuple[float, float] | None = None
        self.beyond = False
        """Whether the highest shown is the converter's rail: the true value is beyond it."""

    def dress(self, look: Appearance, system: str, small: float) -> None:
        """Take on an appearance and a system of units."""
        colour = look.pen(self.pen.quantity)
        unit = shown_quantity(self.pen.quantity, system, inside=self.pen.unit)
        self._factor = unit.factor
        low, high = self.pen.low, self.pen.high
        self.scale = Scale(
            low=None if low is None else low * unit.factor,
            high=None if high is None else high * unit.factor,
            least=self._least(unit.factor),
        )
        self.curve.setPen(QPen(colour, 0))
        self.zero.setPen(QPen(QColor(look.mark), 0, Qt.PenStyle.DotLine))
        self.marks.setPen(QPen(QColor(look.mark), 0))
        self.pending.setPen(QPen(QColor(look.loud_text), 0, Qt.PenStyle.DashLine))
        self.bands.colour = QColor(look.faint)
        words = f"{self.pen.title}, {unit.label}"
        if self.pen.quantity == "pull" and self.pen.measures:
            words += "   draft +   buff −"
        self.title.setText(words)
        self.title.setColor(colour)
        self.title.setFont(font(small, bold=True))
        fill = QColor(look.paper)
        fill.setAlpha(200)
        self.title.fill = QBrush(fill)
        self._dress_axis(look, small)

    def _least(self, factor: float) -> float:
        if not self.pen.measures:
            return _LEAST_COUNTS
        return _LEAST.get(self.pen.quantity, 0.1 / factor) * factor

    def _dress_axis(self, look: Appearance, small: float) -> None:
        self.plot.getViewBox().setBackgroundColor(look.paper)
        axis = self.plot.getAxis("left")
        axis.setPen(QPen(QColor(look.rule), 0))
        axis.setTextPen(QColor(look.ink))
        axis.setTickFont(font(small * 0.92))
        axis.setWidth(round(small * 4.4))
        axis.setStyle(tickLength=-4, maxTickLevel=0)
        axis.setGrid(70)
        # It stands still while the paper moves: painted once, not at every frame.
        axis.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)

    def draw(self, columns: Columns, x0: float, x1: float, width: float) -> None:
        """Draw the columns over x0 … x1."""
        extent = columns.extent()
        self.extent = None if extent is None else (extent[0], extent[1])
        shown = None if extent is None else (extent[0] * self._factor, extent[1] * self._factor)
        low, high = self.scale.update(shown)
        xs, ys, link = path_arrays(columns, self._factor, self.pen.style, width)
        self.curve.setData(xs, ys, connect=link)
        self.plot.setXRange(x0, x1, padding=0)
        self.plot.setYRange(low, high, padding=0)

    def draw_marks(self, xs: list[float], waiting: list[float]) -> None:
        """Vertical lines at marks: taken ones whole, waiting ones dashed."""
        low, high = self.scale.shown
        for item, at in ((self.marks, xs), (self.pending, waiting)):
            item.setData(
                np.repeat(np.array(at, dtype=np.float64), 2), np.tile([low, high], len(at))
            )

    def draw_gaps(self, spans: list[tuple[float, float]], x0: float, x1: float) -> None:
        """Hatch the stretches without data."""
        low, high = self.scale.shown
        cut = [(max(a, x0), min(b, x1)) for a, b in spans]
        self.bands.show_spans(cut, QRectF(x0, low, x1 - x0, high - low))
