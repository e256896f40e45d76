"""The whole paper: rail of mark labels, strips, axis; draws one frame from the model."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import pyqtgraph as pg
from PyQt6.QtCore import QRectF
from PyQt6.QtGui import QColor, QFontMetricsF, QPaintEvent, QPen
from PyQt6.QtWidgets import QGraphicsItem, QGraphicsView

from calibration.quantities.editions import shown_quantity
from recorder.machine.clocks import now_ns
from recorder.window.model.crew.mark_list import EntryState
from recorder.window.qt.panels.appearance import Appearance, font
from recorder.window.qt.paper.axes import PaperAxis, ValueAxis
from recorder.window.qt.paper.items import Strokes, upright
from recorder.window.qt.paper.strips import PenStrip

if TYPE_CHECKING:
    from recorder.window.model.crew.mark_list import Entry
    from recorder.window.model.live.live_run import LiveRun

__all__ = ["SPANS", "Paper"]

SPANS: Final = {
    "time": (10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 14400.0, 43200.0),
    "distance": (
        20.0,
        50.0,
        100.0,
        200.0,
        500.0,
        1000.0,
        2000.0,
        5000.0,
        10000.0,
        50000.0,
        200000.0,
    ),
}
_LABELS: Final = 48
_LANES: Final = 3
_LABEL_LETTERS: Final = (48, 26)
"""A mark's label on the rail, letters: at the most, and where there is not that much room."""
_RIGHT_MARGIN: Final = 0.015


@dataclass(slots=True)
class View:
    """Which stretch of paper is shown."""

    axis: str = "time"
    choice: dict[str, int] | None = None

    def __post_init__(self) -> None:
        self.choice = {"time": 3, "distance": 5}

    @property
    def span(self) -> float:
        """Seconds or metres shown."""
        return SPANS[self.axis][self._choice[self.axis]]

    def span_for(self, newest: float) -> float:
        """Less than :attr:`span` while the run is young: the paper is not shown empty."""
        return min(self.span, next((s for s in SPANS[self.axis] if s >= newest), self.span))

    @property
    def _choice(self) -> dict[str, int]:
        assert self.choice is not None
        return self.choice

    def step(self, by: int) -> None:
        """A longer or a shorter stretch of paper."""
        most = len(SPANS[self.axis]) - 1
        self._choice[self.axis] = min(max(self._choice[self.axis] + by, 0), most)

    def show(self, span: float) -> None:
        """At least so many seconds or metres of paper, as the axis is."""
        spans = SPANS[self.axis]
        self._choice[self.axis] = next(
            (i for i, held in enumerate(spans) if held >= span), len(spans) - 1
        )

    def turn(self) -> None:
        """The other axis."""
        self.axis = "distance" if self.axis == "time" else "time"


class Lanes:
    """Finds room for labels, newest first, so that no stem runs through another's words.

    Lane 0 lies next to the paper. A label stands to the right of its stem in the lowest lane
    with room, else to the left of it in the highest.
    """

    def __init__(self, width: float, lanes: int) -> None:
        self._free = [width] * lanes
        self._roofs: list[tuple[float, float, int]] = []
        """Labels left of their stems: (from, to, lane); older stems below must stay below."""

    def find(self, at: float, room: float) -> tuple[int, bool] | None:
        """Lane, and whether the label stands to the left; None when there is no room."""
        roof = min((r[2] for r in self._roofs if r[0] < at < r[1]), default=len(self._free))
        for lane in range(roof):
            if at + room <= self._free[lane]:
                self._block(lane, at, at)
                return lane, False
        for lane in reversed(range(roof)):
            if at <= self._free[lane] and at - room >= 0.0:
                self._block(lane, at, at - room)
                self._roofs.append((at - room, at, lane))
                return lane, True
        return None

    def _block(self, lane: int, stem: float, left_end: float) -> None:
        """The label takes its lane, its stem all lanes below."""
        self._free[: lane + 1] = [min(end, stem) for end in self._free[: lane + 1]]
        self._free[lane] = min(self._free[lane], left_end)


class Paper(pg.GraphicsLayoutWidget):  # type: ignore[misc]  # a library without types
    """Draws a :class:`LiveRun`; only the window's thread calls it."""

    def __init__(self, run: LiveRun) -> None:
        super().__init__()
        self.run = run
        self.view = View()
        self.painted_ns = 0
        self.frames = 0
        self.after_paint: Any = None
        """Called with the monotonic time when a frame is on the screen."""
        # Nearly all of it moves at once: many small pieces would cost more than one.
        self.setViewportUpdateMode(QGraphicsView.ViewportUpdateMode.BoundingRectViewportUpdate)
        self.ci.layout.setContentsMargins(0, 0, 4, 0)
        self.ci.layout.setSpacing(2)
        self._rail = self.addPlot(row=0, col=0)
        self._prepare_rail()
        self.strips: list[PenStrip] = []
        self._bottom = PaperAxis()
        for i, pen in enumerate(run.pens):
            last = i == len(run.pens) - 1
            axes: dict[str, Any] = {"left": ValueAxis()}
            if last:
                axes["bottom"] = self._bottom
            plot = self.addPlot(row=i + 1, col=0, axisItems=axes)
            if not last:
                plot.hideAxis("bottom")
            self.strips.append(PenStrip(pen, plot))
            self.ci.layout.setRowStretchFactor(i + 1, 5 if pen.quantity == "pull" else 3)
        for plot in (self._rail, *(strip.plot for strip in self.strips)):
            for side in ("left", "bottom", "top", "right"):
                # Hidden or bare, an axis else lays out its label anew whenever the paper moves.
                plot.getAxis(side).enableAutoSIPrefix(enable=False)
        started = run.header.started_utc_ns
        self._bottom.start = datetime.fromtimestamp(started / 1e9, UTC)
        self._bottom.zone = ZoneInfo(run.car.time_zone)

    def _prepare_rail(self) -> None:
        rail = self._rail
        rail.setMenuEnabled(False)
        rail.hideButtons()
        rail.setMouseEnabled(x=False, y=False)
        rail.disableAutoRange()
        rail.hideAxis("bottom")
        rail.getAxis("left").setStyle(showValues=False, tickLength=0)
        self._rail_lines = Strokes()
        rail.addItem(self._rail_lines, ignoreBounds=True)
        self._rail_view = QRectF()
        self._labels = []
        for _ in range(_LABELS):
            label = pg.TextItem(anchor=(0, 0.5))
            label.hide()
            rail.addItem(label, ignoreBounds=True)
            self._labels.append(label)

    def dress(self, look: Appearance, system: str, small: float) -> None:
        """Take on appearance, units and a size of small print in pixels."""
        self.setBackground(look.ground)
        self._look, self._system = look, system
        self._label_font = font(small)
        self._widths: dict[str, float] = {}
        self._shown: dict[int, tuple[str, str]] = {}
        self._lanes = _LANES if self.height() > 420 else _LANES - 1
        self._rail.getViewBox().setBackgroundColor(look.panel)
        self._rail.getAxis("left").setPen(QPen(QColor(look.panel), 0))
        self._rail.getAxis("left").setWidth(round(small * 4.4))
        self._rail.getAxis("left").setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self._rail_lines.pen = QPen(QColor(look.mark), 0)
        self.ci.layout.setRowFixedHeight(0, round(small * 1.35 * self._lanes) + 4)
        for label in self._labels:
            label.setFont(self._label_font)
        for strip in self.strips:
            strip.dress(look, system, small)
        axis = self._bottom
        axis.setPen(QPen(QColor(look.rule), 0))
        axis.setTextPen(QColor(look.ink))
        axis.setTickFont(font(small))
        axis.setHeight(round(small * 2.1))
        axis.setStyle(tickLength=-5)
        axis.factor = shown_quantity("distance", system).factor

    def axis_words(self) -> str:
        """What the bottom axis shows."""
        if self.view.axis == "time":
            return f"clock time, {self.run.car.time_zone}"
        return f"distance run, {shown_quantity('distance', self._system).label}"

    def draw(self) -> None:
        """One frame of the newest data."""
        traces, view = self.run.traces, self.view
        x0, x1, width = self._stretch()
        self._bottom.axis = view.axis
        ticks = self._bottom.show_stretch(x0, x1)
        taken, waiting = self._draw_labels(x0, x1)
        for strip in self.strips:
            strip.draw(traces.columns(strip.pen.name, view.axis, x0, x1, width), x0, x1, width)
            strip.beyond = strip.extent is not None and traces.railed.reach(
                strip.pen.name, view.axis, x0, x1, strip.extent[1]
            )
            strip.draw_marks(taken, waiting)
            strip.draw_gaps(traces.gap_spans(strip.pen, view.axis, x0, x1), x0, x1)
        if self.strips:
            self.strips[-1].draw_ticks(ticks)
        # Done by the painting itself, it would move all items and have them painted once more.
        self.scene().prepareForPaint()

    @property
    def _pixels(self) -> float:
        """How wide a strip is."""
        return max(50.0, self.strips[0].plot.getViewBox().width() if self.strips else 50.0)

    def _stretch(self) -> tuple[float, float, float]:
        """The stretch of paper shown, and the width of a column of it: one pixel of the screen.

        It moves by whole columns, and the middle of one never lies where two pixels meet.
        """
        newest = self.run.traces.newest(self.view.axis)
        span = self.view.span_for(newest)
        whole = span * (1.0 + _RIGHT_MARGIN)
        width = whole / (self._pixels * self.devicePixelRatioF())
        x0 = (math.ceil((newest - span) / width) + 0.25) * width
        return x0, x0 + whole, width

    def _draw_labels(self, x0: float, x1: float) -> tuple[list[float], list[float]]:
        """Labels in lanes, the newest first to find room; returns where lines go, from x0 on."""
        self._stand(x1 - x0)
        scale = self._pixels / (x1 - x0)
        taken: list[float] = []
        waiting: list[float] = []
        lanes = Lanes(self._pixels, self._lanes)
        stems: list[tuple[float, float, float]] = []
        pool = iter(self._labels)
        for entry, at in reversed(self._marks_within(x0, x1)):
            x = at - x0
            (taken if entry.state is EntryState.TAKEN else waiting).append(x)
            for longest in _LABEL_LETTERS:
                words = _words(entry, longest)
                found = lanes.find(x * scale, self._width(words) + 12.0)
                if found is not None:
                    break
            if found is None or (label := next(pool, None)) is None:
                stems.append((x, 0.0, 0.3))
                continue
            lane, left = found
            self._place(label, entry, words, x, lane, left=left)
            stems.append((x, 0.0, lane + 1.0))
        for label in pool:
            label.hide()
        self._rail_lines.show_path(upright(stems))
        return taken, waiting

    def _stand(self, span: float) -> None:
        """The rail shows so much paper; it stands while the paper moves under it."""
        view = QRectF(0.0, 0.0, span, self._lanes)
        if view != self._rail_view:
            self._rail_view = view
            self._rail_lines.cover(view)
            self._rail.setXRange(0.0, span, padding=0)
            self._rail.setYRange(0, self._lanes, padding=0)

    def _width(self, words: str) -> float:
        if words not in self._widths:
            if len(self._widths) > 2000:
                self._widths.clear()
            metrics = QFontMetricsF(self._label_font)
            self._widths[words] = float(metrics.horizontalAdvance(words))
        return self._widths[words]

    def _place(
        self,
        label: Any,  # noqa: ANN401 - pyqtgraph has no types
        entry: Entry,
        words: str,
        x: float,
        lane: int,
        *,
        left: bool,
    ) -> None:
        look = self._look
        label.setAnchor((1, 0.5) if left else (0, 0.5))
        colour = look.ink if entry.state is EntryState.TAKEN else look.loud_text
        if self._shown.get(id(label)) != (words, colour):
            label.setText(words, color=colour)
            self._shown[id(label)] = (words, colour)
        label.setPos(x, lane + 0.5)
        label.show()

    def _marks_within(self, x0: float, x1: float) -> list[tuple[Entry, float]]:
        found = []
        for entry in self.run.marks.visible():
            x = entry.mark.t_s if self.view.axis == "time" else entry.path_m
            if x0 <= x <= x1:
                found.append((entry, x))
        return sorted(found, key=lambda pair: pair[1])

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint, and tell when it was done."""
        super().paintEvent(event)
        self.painted_ns = now_ns()
        self.frames += 1
        if self.after_paint is not None:
            self.after_paint(self.painted_ns)


def _words(entry: Entry, longest: int) -> str:
    words = entry.label if entry.state is EntryState.TAKEN else f"{entry.label} …"
    return words if len(words) <= longest else words[: longest - 1] + "…"
