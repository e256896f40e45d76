"""Panels of the bench page: the plan, the live counts, the line for typing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import pyqtgraph as pg
from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen

from calibration.evaluation.issue import CAUTIONS
from calibration.quantities.written import typeset, written
from calibration.readings.reading_doubts import Doubt
from recorder.window.model.bench.bench_desk import BenchState
from recorder.window.qt.panels.appearance import Appearance, font
from recorder.window.qt.panels.painted import Panel, fitted, wrapped, write
from recorder.window.qt.paper.axes import ValueAxis
from recorder.window.qt.paper.strips import path_arrays

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QWidget

    from recorder.window.model.bench.bench_desk import BenchDesk, PlanLine

__all__ = ["CountsStrip", "DoPanel", "HeadPanel", "LivePanel", "PlanPanel"]

_PAD: Final = 6.0
_SHOWN_S: Final = 60.0


class _BenchPanel(Panel):
    def __init__(self, desk: BenchDesk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk


class HeadPanel(_BenchPanel):
    """What is calibrated, against what, and the cautions."""

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """A title line, then the cautions in full."""
        s, look = self._desk.session, self.look
        settings = s.settings
        half = self.small * 1.9
        first = QRectF(area.left() + _PAD, area.top(), area.width() - 2 * _PAD, half)
        capacity = "" if settings.capacity_kN is None else f", {settings.capacity_kN:g} kN"
        done = f"{s.done} of {len(s.plan)} steps"
        used = write(painter, first, done, look.ink, self.small * 1.1, bold=True, right=True)
        title = f"Bench calibration: {settings.cell}{capacity}"
        rest = first.adjusted(0, 0, -used - _PAD, 0)
        x = write(painter, rest, title, look.ink, self.small * 1.25, bold=True) + 2 * _PAD
        reference = f"against {settings.reference}" if settings.reference else ""
        write(painter, rest.adjusted(x, 0, 0, 0), reference, look.faint, self.small)
        caution = "Caution: " + "  ".join(CAUTIONS)
        painter.setFont(font(self.small * 0.88))
        painter.setPen(QColor(look.ink))
        rest = QRectF(
            first.left(), first.bottom(), first.width(), area.bottom() - first.bottom()
        )
        painter.drawText(rest, int(Qt.TextFlag.TextWordWrap), caution)


class PlanPanel(_BenchPanel):
    """The plan around the current step, with what was read."""

    _COLUMNS: Final = (
        ("step", 0.07), ("series", 0.10), ("position", 0.10), ("load", 0.12), ("nominal kN", 0.15),
        ("applied kN", 0.15), ("mean counts", 0.19), ("sd", 0.12),
    )  # fmt: skip

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """A head and as many rows as there is room for."""
        row = self.small * 1.55
        self._row(painter, QRectF(area.left(), area.top(), area.width(), row),
                  [name for name, _ in self._COLUMNS], self.look.faint, bold=False)  # fmt: skip
        lines = self._desk.lines()
        room = max(1, int(area.height() // row) - 1)
        at = next((i for i, line in enumerate(lines) if line.chosen), len(lines) - 1)
        first = min(max(0, at - room // 2), max(0, len(lines) - room))
        for i, line in enumerate(lines[first : first + room]):
            box = QRectF(area.left(), area.top() + (i + 1) * row, area.width(), row)
            self._line(painter, box, line)

    def _line(self, painter: QPainter, box: QRectF, line: PlanLine) -> None:
        look, step, taken = self.look, line.step, line.reading
        if line.chosen:
            painter.fillRect(box, QColor(look.paper))
        if line.current:
            painter.fillRect(
                QRectF(box.left(), box.top(), 4, box.height()), QColor(look.typing)
            )
        arrow = {"zero": "zero", "preload": "preload"}.get(step.kind, "")
        arrow = arrow or ("↑" if step.direction == "up" else "↓")
        cells = [str(step.number), step.series, f"{step.position_deg:g}°", arrow,
                 typeset(f"{step.applied_kN:g}")]  # fmt: skip
        if taken is not None:
            again = "" if taken.repeat_of is None else " *"
            # What stands against nearly every reading tells nothing of this one.
            against = set(taken.doubts) - {Doubt.AS_PLANNED, Doubt.BY_EYE}
            steady = " ▲" if against else ""
            planned = " ○" if Doubt.AS_PLANNED in taken.doubts else ""
            cells += [f"{written(taken.applied_kN, 3)}{planned}",
                      f"{written(taken.mean, 1)}{again}",
                      f"{taken.sd:.1f}{steady}"]  # fmt: skip
        ink = look.ink if taken is not None or line.current else look.faint
        self._row(painter, box, cells, ink, bold=line.current)

    def _row(
        self, painter: QPainter, box: QRectF, cells: list[str], ink: str, *, bold: bool
    ) -> None:
        x = box.left() + _PAD
        for (_, share), text in zip(self._COLUMNS, cells, strict=False):
            wide = (box.width() - 2 * _PAD) * share
            cell = QRectF(x, box.top(), wide - 4, box.height())
            write(painter, cell, text, ink, self.small * 0.95, bold=bold)
            x += wide


class LivePanel(_BenchPanel):
    """Counts now, as large as they fit; the verdict, slope and noise against their limits."""

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """Numeral, verdict, two bars, progress."""
        look, desk = self.look, self._desk
        verdict, limits = desk.verdict(), desk.session.limits
        row = self.small * 1.8
        inside = area.adjusted(_PAD, 2, -_PAD, -2)
        known = math.isfinite(verdict.mean)
        text = written(verdict.mean, 0)
        title = QRectF(inside.left(), inside.top(), inside.width(), row)
        write(painter, title, f"counts, mean of {limits.window_s:g} s", look.faint, self.small)
        force = desk.session.live.reference_force_kN()
        if force is not None:
            words = f"reference {written(force, 3)} kN"
            write(painter, title, words, look.ink, self.small * 1.1, bold=True, right=True)
        big = QRectF(inside.left(), title.bottom(), inside.width(), inside.height() - 7.6 * row)
        painter.setFont(fitted(text.rjust(11), big.width(), big.height(), bold=True))
        painter.setPen(QColor(look.ink if known else look.faint))
        painter.drawText(
            big, int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter), text
        )
        box = QRectF(inside.left(), big.bottom(), inside.width(), row * 3.4)
        self._state(painter, box)
        drift = verdict.slope_per_s * limits.window_s
        y = box.bottom() + 2
        for name, value, limit in (
            (f"drift over {limits.window_s:g} s", abs(drift), limits.drift_counts),
            ("noise", verdict.noise_sd, limits.noise_counts),
        ):
            self._bar(
                painter, QRectF(inside.left(), y, inside.width(), row), name, value, limit
            )
            y += row
        self._progress(painter, QRectF(inside.left(), y, inside.width(), inside.bottom() - y))

    def _state(self, painter: QPainter, box: QRectF) -> None:
        """One word as large as it fits, to be read from the press, and why below it."""
        look = self.look
        state, words = self._desk.state()
        ground, ink = look.warn, look.warn_ink
        if state.alarming:
            ground, ink = look.loud, look.loud_ink
        elif state is BenchState.STABLE:
            ground, ink = look.good, look.panel
        elif state is BenchState.READING:
            ground, ink = look.typing, look.typing_ink
        painter.fillRect(box, QColor(ground))
        inside = box.adjusted(_PAD, 0, -_PAD, 0)
        # A wait is told by its seconds: they are what is looked for.
        large = f"{state} {words.split(' of ')[0]}" if " to go" in words else str(state)
        word = QRectF(inside.left(), inside.top(), inside.width(), box.height() * 0.62)
        painter.setFont(fitted(large, word.width(), word.height(), bold=True))
        painter.setPen(QColor(ink))
        painter.drawText(word, int(Qt.AlignmentFlag.AlignCenter), large)
        lines = wrapped(words, inside.width(), self.small * 1.05, most=2, bold=True)
        pitch = (box.height() - word.height()) / 2
        for i, line in enumerate(lines):
            at = QRectF(inside.left(), word.bottom() + i * pitch, inside.width(), pitch)
            write(painter, at, line, ink, self.small * 1.05, bold=True)

    def _bar(
        self, painter: QPainter, box: QRectF, name: str, value: float, limit: float
    ) -> None:
        """The limit stands at two thirds of the bar."""
        look = self.look
        text = "–" if not math.isfinite(value) else f"{value:.0f}"
        words = f"{name}: {text} of at most {limit:g} counts"
        write(painter, box.adjusted(0, 0, 0, -5), words, look.ink, self.small * 0.95)
        track = QRectF(box.left(), box.bottom() - 6, box.width(), 5)
        painter.fillRect(track, QColor(look.rule))
        if math.isfinite(value):
            share = min(1.0, value / limit / 1.5)
            colour = look.good if value <= limit else look.loud
            painter.fillRect(QRectF(track.left(), track.top(), track.width() * share, 5),
                             QColor(colour))  # fmt: skip
        x = track.left() + track.width() / 1.5
        painter.setPen(QPen(QColor(look.ink), 1))
        painter.drawLine(int(x), int(track.top() - 2), int(x), int(track.bottom() + 2))

    def _progress(self, painter: QPainter, box: QRectF) -> None:
        done = self._desk.progress()
        pending = self._desk.session.pending
        if done is None or pending is None:
            return
        waiting = pending.start_s is None
        seconds = pending.step.settle_s if waiting else pending.seconds
        words = f"{'wait' if waiting else 'reading'}: {done * seconds:.1f} of {seconds:g} s"
        write(painter, box.adjusted(0, 0, 0, -7), words, self.look.ink, self.small, bold=True)
        track = QRectF(box.left(), box.bottom() - 7, box.width(), 7)
        painter.fillRect(track, QColor(self.look.rule))
        track.setWidth(box.width() * done)
        painter.fillRect(track, QColor(self.look.typing))


class DoPanel(_BenchPanel):
    """What to do now, and the line for typing."""

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """Instruction, typing line, last reading or caution."""
        look, desk = self.look, self._desk
        row = area.height() / 4
        first = QRectF(area.left() + _PAD, area.top(), area.width() - 2 * _PAD, row * 1.2)
        size = min(self.small * 1.5, fitted(desk.instruction(), first.width(), row).pixelSize())
        write(painter, first, desk.instruction(), look.ink, max(size, self.small), bold=True)
        line = QRectF(area.left(), first.bottom(), area.width(), row)
        painter.fillRect(line, QColor(look.typing))
        inside = line.adjusted(_PAD, 0, -_PAD, 0)
        used = write(painter, inside, f"{desk.mode.heading}: {desk.typed}▏", look.typing_ink,
                     self.small * 1.15, bold=True)  # fmt: skip
        rest = inside.adjusted(used + 2 * _PAD, 0, 0, 0)
        write(painter, rest, desk.prompt(), look.typing_ink, self.small, right=True)
        last = QRectF(first.left(), line.bottom(), first.width(), row * 0.6)
        words, ink = (
            (desk.caution, look.loud_text) if desk.caution else (desk.message, look.ink)
        )
        size = self.small * (1.05 if desk.caution else 1.0)
        lines = wrapped(words, last.width(), size, most=2, bold=bool(desk.caution))
        for i, text in enumerate(lines):
            at = last.translated(0, i * last.height())
            write(painter, at, text, ink, size, bold=bool(desk.caution))
        room = "not stated" if desk.temperature_C is None else f"{desk.temperature_C:.4g} °C"
        words = (
            f"temperature {room}   ·   ↑ ↓ choose a step   ·   * read again   ▲ in doubt"
            "   ○ force as planned, not measured"
        )
        foot = QRectF(last.left(), area.bottom() - row * 0.65, last.width(), row * 0.6)
        write(painter, foot, words, look.faint, self.small * 0.92)


class CountsStrip(pg.PlotWidget):  # type: ignore[misc]  # a library without types
    """The last minute of counts."""

    def __init__(self, desk: BenchDesk) -> None:
        super().__init__(axisItems={"left": ValueAxis(), "bottom": ValueAxis("bottom", "s")})
        self._desk = desk
        self._low_high = (0.0, 1.0)
        plot = self.getPlotItem()
        plot.setMenuEnabled(False)
        plot.hideButtons()
        plot.setMouseEnabled(x=False, y=False)
        plot.disableAutoRange()
        self._curve = pg.PlotCurveItem(skipFiniteCheck=True)
        plot.addItem(self._curve, ignoreBounds=True)

    def dress(self, look: Appearance, small: float) -> None:
        """Take on an appearance."""
        self.setBackground(look.panel)
        plot = self.getPlotItem()
        plot.getViewBox().setBackgroundColor(look.paper)
        self._curve.setPen(QPen(look.pen("pull"), 0))
        for side in ("left", "bottom"):
            axis = plot.getAxis(side)
            axis.setPen(QPen(QColor(look.rule), 0))
            axis.setTextPen(QColor(look.ink))
            axis.setTickFont(font(small * 0.9))
            axis.setGrid(70)
        plot.getAxis("left").setWidth(round(small * 6.5))
        plot.getAxis("bottom").setHeight(round(small * 2.0))

    def draw(self) -> None:
        """One frame; seconds before now on the bottom axis."""
        now = self._desk.newest_s
        width = _SHOWN_S / max(50.0, self.getPlotItem().getViewBox().width())
        found = self._desk.trace.columns("time", now - _SHOWN_S, now, width)
        xs, ys, link = path_arrays(found, 1.0, "solid", width)
        self._curve.setData(xs - now, ys, connect=link)
        self.getPlotItem().setXRange(-_SHOWN_S, 0.0, padding=0.01)
        extent = found.extent()
        if extent is not None:
            middle, half = (extent[0] + extent[1]) / 2, max(50.0, (extent[1] - extent[0]) * 0.6)
            low, high = self._low_high
            # Close around the counts, moved only when they leave it or shrink far below it.
            if extent[0] < low or extent[1] > high or half < 0.3 * (high - low) / 2:
                self._low_high = (middle - half, middle + half)
            self.getPlotItem().setYRange(*self._low_high, padding=0.02)
