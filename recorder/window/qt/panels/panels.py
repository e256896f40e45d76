"""The panels around the paper: top line, alarms, numerals, keys, marks, devices."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from PyQt6.QtCore import QPointF, QRectF, Qt, pyqtSignal
from PyQt6.QtGui import QColor, QMouseEvent, QPainter, QPen

from recorder.machine.clocks import now_ns
from recorder.marks.kinds import Kind
from recorder.window.model.live.device_lines import (
    Level,
    device_lines,
    disk_line,
    run_time_text,
    utc_line,
)
from recorder.window.model.live.lamp import Glow, lamp_of
from recorder.window.qt.panels.painted import Panel, fitted, wrapped, write

if TYPE_CHECKING:
    from collections.abc import Hashable

    from PyQt6.QtWidgets import QWidget

    from recorder.window.model.live.live_run import LiveRun
    from recorder.window.model.live.numerals import Alarm

__all__ = ["AlarmPanel", "DevicePanel", "KeyPanel", "TopPanel"]

_PAD: Final = 6.0


class TopPanel(Panel):
    """Lamp, run time, trip, disk, clocks."""

    def __init__(self, run: LiveRun, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._run = run
        self._zone = ZoneInfo(run.car.time_zone)

    def _lamp(self) -> tuple[str, str, str]:
        look = self.look
        lamp = lamp_of(self._run.state, lost=bool(self._run.lost))
        ground, ink = {
            Glow.DARK: (look.faint, look.panel),
            Glow.AMBER: (look.warn, look.warn_ink),
            Glow.RECORDING: (look.loud, look.loud_ink),
            Glow.ALARM: (look.loud, look.loud_ink),
        }[lamp.glow]
        return ground, ink, lamp.word

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """One line; what matters most stands outermost."""
        look, h = self.look, area.height()
        size = h * 0.46
        ground, ink, word = self._lamp()
        lamp = QRectF(area.left(), area.top(), size * (len(word) * 0.78 + 2.0), h)
        painter.fillRect(lamp, QColor(ground))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(ink))
        painter.drawEllipse(QPointF(lamp.left() + size * 0.85, h / 2), size * 0.34, size * 0.34)
        inner = lamp.adjusted(size * 1.45, 0, 0, 0)
        write(painter, inner, word, ink, size, bold=True)
        clock = self._clocks(painter, area, size)
        x = lamp.right() + 2 * _PAD
        now_s = self._run.shown_s()
        used = write(
            painter,
            QRectF(x, 0, clock - x - _PAD, h),
            run_time_text(now_s),
            look.ink,
            size,
            bold=True,
        )
        x += used + 2 * _PAD
        name = f"{self._run.trip.name}  ·  {self._run.car.name} {self._run.car.number}".strip()
        write(
            painter, QRectF(x, 0, max(0.0, clock - x - _PAD), h), name, look.faint, size * 0.82
        )

    def _clocks(self, painter: QPainter, area: QRectF, size: float) -> float:
        """Clocks and disk from the right edge; returns where they begin."""
        look = self.look
        now = _now(self._run)
        local = now.astimezone(self._zone)
        elsewhere = local.utcoffset() != now.utcoffset()
        level, disk = disk_line(self._run.status)
        colour = {Level.GOOD: look.ink, Level.WARN: look.ink, Level.LOUD: look.loud_text}[level]
        said, doubt = utc_line(self._run.status)
        utc = look.loud_text if doubt is Level.LOUD else look.ink
        parts = [
            (f"{now:%H:%M:%S} UTC {said}".rstrip(), utc, doubt is Level.LOUD or not elsewhere),
            *([(f"{local:%H:%M:%S} {local.tzname() or ''}", look.ink, True)] * elsewhere),
            (disk, colour, level is not Level.GOOD),
        ]
        x = area.right() - _PAD
        for words, ink, bold in parts:
            box = QRectF(x - 22 * size, area.top(), 22 * size, area.height())
            x -= write(painter, box, words, ink, size * 0.9, bold=bold, right=True)
            x -= 2.6 * _PAD if words else 0.0
        return x


def _now(run: LiveRun) -> datetime:
    """UTC by the computer, or by the recording where time is simulated."""
    if run.header.simulated_speed is None or run.status is None:
        return datetime.now(UTC)
    return datetime.fromtimestamp(run.status.utc_ns / 1e9, UTC)


class AlarmPanel(Panel):
    """What must be said loudly, the question asked, or nothing at all."""

    answered = pyqtSignal(str)
    LINES: Final = 5
    """Of all alarms together: the paper must keep its room."""
    LINES_EACH: Final = 3

    def __init__(self, run: LiveRun, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._run = run
        self.question = ""
        self.yes = ""
        self._yes_box = QRectF()
        self._no_box = QRectF()

    def wanted_height(self, width: float) -> float:
        """Pixels wanted now, in a window so many pixels wide."""
        lines = sum(len(words) for _, words in self._shown(width))
        return (2 * self._row if self.question else 0.0) + lines * self._row

    @property
    def _row(self) -> float:
        return self.small * 1.9

    @property
    def _size(self) -> float:
        return self.small * 1.25

    def _shown(self, width: float) -> list[tuple[Alarm, list[str]]]:
        """The worst alarms in lines, as many as there is room for; always the first."""
        room = 2 if self.question else self.LINES
        most = min(self.LINES_EACH, room)
        # The count of those not shown stands at the right of the last line.
        inside = width - 4 * _PAD - 6 * self._size
        shown: list[tuple[Alarm, list[str]]] = []
        for alarm in self._run.alarms(now_ns()):
            words = wrapped(alarm.text, inside, self._size, most=most, bold=True)
            if len(words) > room:
                break
            room -= len(words)
            shown.append((alarm, words))
        return shown

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """The question, and the alarms."""
        if self.question:
            part = 2 * self._row
            self._draw_question(painter, QRectF(area.left(), area.top(), area.width(), part))
            area = area.adjusted(0, part, 0, 0)
        shown = self._shown(area.width())
        hidden = len(self._run.alarms(now_ns())) - len(shown)
        y = area.top()
        for i, (alarm, words) in enumerate(shown):
            box = QRectF(area.left(), y, area.width(), len(words) * self._row)
            more = f"and {hidden} more" if hidden > 0 and i + 1 == len(shown) else ""
            self._draw_alarm(painter, box, alarm, words, more)
            y = box.bottom()

    def _draw_alarm(
        self, painter: QPainter, box: QRectF, alarm: Alarm, words: list[str], more: str
    ) -> None:
        loud = alarm.level is Level.LOUD
        painter.fillRect(box, QColor(self.look.loud if loud else self.look.warn))
        ink = self.look.loud_ink if loud else self.look.warn_ink
        for i, line in enumerate(words):
            row = QRectF(box.left(), box.top() + i * self._row, box.width(), self._row)
            inside = row.adjusted(2 * _PAD, 0, -2 * _PAD, 0)
            if more and i + 1 == len(words):
                used = write(painter, inside, more, ink, self._size, right=True)
                inside.setRight(inside.right() - used - 2 * _PAD)
            write(painter, inside, line, ink, self._size, bold=True)

    def _draw_question(self, painter: QPainter, area: QRectF) -> None:
        look = self.look
        painter.fillRect(area, QColor(look.typing))
        half = area.height() / 2
        write(
            painter,
            area.adjusted(2 * _PAD, 0, -2 * _PAD, -half),
            self.question,
            look.typing_ink,
            self.small * 1.25,
            bold=True,
        )
        w = min(260.0, area.width() * 0.3)
        top = area.top() + half
        self._yes_box = QRectF(area.left() + 2 * _PAD, top, w, half - 4)
        self._no_box = QRectF(area.left() + 4 * _PAD + w, top, w, half - 4)
        for box, words in ((self._yes_box, f"Enter: {self.yes}"), (self._no_box, "Esc: no")):
            painter.setPen(QPen(QColor(look.typing_ink), 1))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(box)
            write(painter, box, words, look.typing_ink, self.small * 1.1, centre=True)

    def mousePressEvent(self, event: QMouseEvent | None) -> None:
        """Touch or mouse on an answer."""
        if event is None or not self.question:
            return
        if self._yes_box.contains(event.position()):
            self.answered.emit("yes")
        elif self._no_box.contains(event.position()):
            self.answered.emit("no")


class KeyPanel(Panel):
    """The mark keys with their kinds; a touch on one is a key press."""

    pressed = pyqtSignal(str)

    def __init__(self, run: LiveRun, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._run = run
        self.caps: list[tuple[QRectF, str]] = []  # where each key was painted last
        self.lit = ""
        self.off = False
        """While typing: the keys type words, not marks."""

    def shown(self) -> Hashable:
        """Caps and titles: of these only the next milepost changes by itself."""
        return (self.lit, self.off, self._run.marks.next_milepost().text)

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """Caps in columns."""
        look, keys = self.look, self._run.marks.keys
        columns = max(1, math.ceil(len(keys) * self.small * 1.6 / area.height()))
        rows = math.ceil(len(keys) / columns)
        w, h = (area.width() - _PAD) / columns, (area.height() - 4) / max(1, rows)
        self.caps = []
        for i, (key, kind) in enumerate(keys.items()):
            box = QRectF(
                area.left() + _PAD / 2 + (i // rows) * w, area.top() + 2 + (i % rows) * h, w, h
            )
            self.caps.append((box, key))
            side = min(h - 4, self.small * 1.9)
            wide = side if len(key) == 1 else side * (0.62 * len(key) + 0.5)
            cap = QRectF(box.left() + 2, box.center().y() - side / 2, wide, side)
            lit = key == self.lit
            painter.setPen(QPen(QColor(look.rule if self.off else look.faint), 1))
            painter.setBrush(QColor(look.ink if lit else look.paper))
            painter.drawRoundedRect(cap, 3, 3)
            ink = look.paper if lit else look.faint if self.off else look.ink
            write(painter, cap, key, ink, side * 0.62, bold=True, centre=True)
            text = box.adjusted(cap.width() + _PAD, 0, -2, 0)
            title = kind.label
            if kind is Kind.MILEPOST:
                title = f"{title} {self._run.marks.next_milepost().text}".rstrip()
            ink = look.faint if self.off else look.ink
            wanted = min(self.small, h * 0.62)
            fits = fitted(title, text.width(), h).pixelSize()
            write(painter, text, title, ink, max(min(wanted, fits), 0.78 * wanted))

    def mousePressEvent(self, event: QMouseEvent | None) -> None:
        """A touch on a cap."""
        if event is not None:
            for box, key in self.caps:
                if box.contains(event.position()):
                    self.pressed.emit(key)


class DevicePanel(Panel):
    """One line a device, in words."""

    def __init__(self, run: LiveRun, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._run = run

    def shown(self) -> Hashable:
        """The state of the devices, as of when it was last told."""
        return (self._run.status_ns,)

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """Name, state and rate; below, what is wrong now, then gaps and the last fault."""
        look, small = self.look, self.small
        lines = device_lines(self._run.status)
        inside = area.adjusted(_PAD, 3, -_PAD, -3)
        if not lines:
            write(painter, inside, "Waiting for the recorder.", look.faint, small)
            return
        h = min(inside.height() / (2 * len(lines)), small * 1.35)
        size = min(small, h * 0.8)
        spare = int(inside.height() / h) - 2 * len(lines)
        y = inside.top()
        for line in lines:
            colour = {Level.GOOD: look.good, Level.WARN: look.ink, Level.LOUD: look.loud_text}[
                line.level
            ]
            sign = {Level.GOOD: "●", Level.WARN: "▲", Level.LOUD: "■"}[line.level]
            row = QRectF(inside.left(), y, inside.width(), h)
            x = write(painter, row, f"{sign} {line.name}", colour, size, bold=True) + _PAD
            state = f"{line.state}, {line.rate}" if line.level is not Level.LOUD else line.state
            write(painter, row.adjusted(x, 0, 0, 0), state, look.ink, size)
            row = row.adjusted(size * 1.3, 0, 0, 0)
            words = wrapped(line.below, row.width(), size * 0.94, most=1 + max(spare, 0))
            spare -= len(words) - 1
            for part in words:
                row = row.translated(0, h)
                write(painter, row, part, look.faint, size * 0.94)
            y = row.bottom()
