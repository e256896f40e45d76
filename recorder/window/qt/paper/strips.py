"""The paper: one strip a pen, marks on a rail above, everything moving together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyqtgraph as pg
from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QBrush, QColor, QPen
from PyQt6.QtWidgets import QGraphicsItem

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.editions import shown_quantity
from recorder.window.qt.panels.appearance import Appearance, font
from recorder.window.qt.paper.axes import grid_pen
from recorder.window.qt.paper.items import GapBands, Strokes, level, upright

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.window.model.trace.pens import Pen
    from recorder.window.model.trace.pyramid import Columns

__all__ = ["PenStrip", "Scale", "path_arrays"]

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
        strokes = [Strokes() for _ in range(6)]
        self.grid, self.ticks, self.zero, self.marks, self.pending, self.curve = strokes
        self._items = (*strokes[:2], self.bands, *strokes[2:])
        for item in self._items:
            plot.addItem(item, ignoreBounds=True)
        self._stands: tuple[QRectF, float] | None = None
        """What the view shows, and its height on the screen."""
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
        self.curve.pen = QPen(colour, 0)
        self.zero.pen = QPen(QColor(look.mark), 0, Qt.PenStyle.DotLine)
        self.marks.pen = QPen(QColor(look.mark), 0)
        self.pending.pen = QPen(QColor(look.loud_text), 0, Qt.PenStyle.DashLine)
        self.grid.pen = self.ticks.pen = grid_pen(look.rule, look.paper)
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
        axis.setStyle(tickLength=0, maxTickLevel=0, hideOverlappingLabels=True)
        # It stands still while the paper moves: painted once, not at every frame.
        axis.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)

    def draw(self, columns: Columns, x0: float, x1: float, width: float) -> None:
        """Draw the columns over x0 … x1."""
        extent = columns.extent()
        self.extent = None if extent is None else (extent[0], extent[1])
        shown = None if extent is None else (extent[0] * self._factor, extent[1] * self._factor)
        low, high = self.scale.update(shown)
        self._stand(QRectF(0.0, low, x1 - x0, high - low))
        xs, ys, link = path_arrays(columns, self._factor, self.pen.style, width)
        self.curve.show_path(pg.arrayToQPath(xs - x0, ys, connect=link, finiteCheck=False))

    def _stand(self, view: QRectF) -> None:
        """Show so much paper and such a scale: the view stands, the paper moves under it."""
        box = self.plot.getViewBox()
        if (view, box.height()) == self._stands:
            return
        self._stands = (view, box.height())
        for item in self._items:
            item.cover(view)
        self.plot.setXRange(view.left(), view.right(), padding=0)
        self.plot.setYRange(view.top(), view.bottom(), padding=0)
        self.zero.show_path(level([0.0], view))
        ((_, values),) = self.plot.getAxis("left").tickValues(
            view.top(), view.bottom(), box.height()
        )
        self.grid.show_path(level(values, view))

    def draw_ticks(self, xs: list[float]) -> None:
        """Lines of the grid at places of the view."""
        low, high = self.scale.shown
        self.ticks.show_path(upright((x, low, high) for x in xs))

    def draw_marks(self, xs: list[float], waiting: list[float]) -> None:
        """Vertical lines at places of the view: taken marks whole, waiting ones dashed."""
        low, high = self.scale.shown
        for item, at in ((self.marks, xs), (self.pending, waiting)):
            item.show_path(upright((x, low, high) for x in at))

    def draw_gaps(self, spans: list[tuple[float, float]], x0: float, x1: float) -> None:
        """Hatch the stretches of paper without data."""
        self.bands.show_spans([(max(a, x0) - x0, min(b, x1) - x0) for a, b in spans])
