"""The big numerals: pull, speed, power, distance; counts are called counts."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen

from calibration.quantities import flags as flag_bits
from calibration.quantities.editions import shown_quantity
from calibration.quantities.written import NO_VALUE
from recorder.window.qt.panels.painted import Panel, fitted, write

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QWidget

    from calibration.quantities.editions import ShownUnit
    from recorder.window.model.live.live_run import LiveRun
    from recorder.window.model.live.numerals import NumeralReading
    from recorder.window.model.trace.pens import Pen

__all__ = ["Numeral", "NumeralPanel"]

_WIDEST: Final = {"pull": -888.8, "speed": 88.8, "power": -8888.0}
"""Figures as wide as any a train gives: kN, m/s (320 km/h), kW."""
_PAD: Final = 6.0
NOT_MEASURED: Final = "not measured"
IN_COUNTS: Final = "in counts: no certificate"


class Numeral(NamedTuple):
    """One numeral, and what stands around it."""

    title: str
    quantity: str
    unit: ShownUnit
    colour: str
    words: str
    """Below it: what it means, or why there is none."""
    reading: NumeralReading

    @property
    def text(self) -> str:
        """The figure as it is shown; the sign of a pull is draft or buff, that of counts is not."""
        signed = self.quantity == "pull" and self.words != IN_COUNTS
        return self.unit.text(self.reading.value, sign=signed)


class NumeralPanel(Panel):
    """Pull, speed, power as large as the panel allows; distance and what comes next."""

    def __init__(self, run: LiveRun, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._run = run
        self.system = run.car.units
        self.highest_kN = math.nan
        self.highest_railed = False
        """It is the converter's rail: the true pull was beyond it."""

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """Four boxes; the pull is the largest."""
        heights = (0.33, 0.245, 0.215, 0.21)
        boxes, y = [], area.top()
        for share in heights:
            boxes.append(QRectF(area.left(), y, area.width(), area.height() * share))
            y += area.height() * share
        for box, numeral in zip(boxes[:3], self.numerals(self._run.due_s()), strict=True):
            self._box(painter, box, numeral)
        self._distance(painter, boxes[3])

    def numerals(self, now_s: float) -> tuple[Numeral, Numeral, Numeral]:
        """Pull, speed and power at a run time, as they are shown."""
        run, look, system = self._run, self.look, self.system
        by = {pen.quantity: pen for pen in reversed(run.pens) if pen.measures}
        pulling = next((pen for pen in run.pens if pen.quantity == "pull"), None)
        moving = by.get("speed") or by.get("gnss_speed")
        pull, speed = (
            run.numerals.reading("" if pen is None else pen.channel, now_s)
            for pen in (pulling, moving)
        )
        power = type(pull)(run.numerals.power_kW(now_s), max(pull.age_s, speed.age_s), 0)
        pulled = shown_quantity("pull", system, inside="" if pulling is None else pulling.unit)
        moved = "Speed" if moving is None else moving.title
        limit = NOT_MEASURED if moving is None else self._limit_words()
        worked = "" if "power" in by else NOT_MEASURED
        words = self._pull_words(pull, pulling)
        return (
            Numeral("Drawbar pull", "pull", pulled, look.pull, words, pull),
            Numeral(moved, "speed", shown_quantity("speed", system), look.speed, limit, speed),
            Numeral(
                "Drawbar power",
                "power",
                shown_quantity("power", system),
                look.power,
                worked,
                power,
            ),
        )

    def _pull_words(self, pull: NumeralReading, pen: Pen | None) -> str:
        if pen is not None and not pen.measures:
            return IN_COUNTS
        if pull.flags & flag_bits.SATURATED:
            return "SATURATED"
        if pull.flags & flag_bits.OUT_OF_RANGE:
            return "out of range"
        unit = shown_quantity("pull", self.system)
        if not math.isfinite(pull.value):
            return ""
        shown = round(pull.value * unit.factor, unit.decimals)
        words = "draft" if shown > 0 else "buff" if shown < 0 else "slack"
        if math.isfinite(self.highest_kN):
            beyond = "beyond " * self.highest_railed
            words += f"  ·  highest in view {beyond}{unit.text(self.highest_kN, sign=True)}"
        return words

    def _limit_words(self) -> str:
        ahead = self._run.ahead
        if ahead is None or self._run.distance_is_stale:
            return ""
        limit = ahead.limit_m_s(self._run.traces.distance_m)
        unit = shown_quantity("speed", self.system)
        return f"limit {limit * unit.factor:.0f}" if math.isfinite(limit) else ""

    def _box(self, painter: QPainter, box: QRectF, told: Numeral) -> None:
        look, quantity, words, reading = self.look, told.quantity, told.words, told.reading
        loud = bool(reading.flags & (flag_bits.SATURATED | flag_bits.OUT_OF_RANGE))
        ink = look.loud_ink if loud else told.colour
        if loud:
            painter.fillRect(box, QColor(look.loud))
        painter.setPen(QPen(QColor(look.rule), 1))
        painter.drawLine(box.bottomLeft(), box.bottomRight())
        head = self.small * 1.5
        inside = box.adjusted(_PAD, 2, -_PAD, -2)
        top = QRectF(inside.left(), inside.top(), inside.width(), head)
        faint = look.loud_ink if loud else look.faint
        write(painter, top, told.unit.label, ink, self.small * 1.25, bold=True, right=True)
        write(painter, top, told.title, faint, self.small * 1.05)
        if not math.isfinite(reading.value) and words != NOT_MEASURED:
            words = self._absent(reading)
        foot = self.small * 1.35 if words or quantity != "power" else 0.0
        bottom = QRectF(inside.left(), inside.bottom() - foot, inside.width(), foot)
        write(painter, bottom, words, faint, self.small, bold=loud)
        text = told.text
        middle = QRectF(
            inside.left(), top.bottom(), inside.width(), bottom.top() - top.bottom()
        )
        # Sized for the widest it will get, so that the figures do not jump about.
        widest = told.unit.text(_WIDEST[quantity])
        shape = text if len(text) > len(widest) else widest
        painter.setFont(fitted(shape, middle.width(), middle.height() * 1.12, bold=True))
        painter.setPen(QColor(ink if math.isfinite(reading.value) else look.faint))
        flags = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        painter.drawText(middle, int(flags | Qt.TextFlag.TextDontClip), text)

    @staticmethod
    def _absent(reading: NumeralReading) -> str:
        return _no_data(reading.age_s) if reading.age_s > 1.0 else "not known"

    def _distance(self, painter: QPainter, box: QRectF) -> None:
        look, run = self.look, self._run
        lines = [("Distance", self._distance_text())]
        ahead = run.ahead
        stale = self._run.distance_is_stale
        there = None if ahead is None or stale else ahead.next_post(run.traces.distance_m)
        short = shown_quantity("short_distance", self.system)
        if ahead is not None and there is not None:
            sure = math.isfinite(ahead.u95_m)
            give = f" ± {short.text(ahead.u95_m)}" if sure else ""
            words = f"{short.text(there[1])}{give} {short.label}"
            lines.append((f"To post {there[0].label}", words))
        elif post := run.marks.next_milepost().text:
            arrow = "up" if run.marks.step > 0 else "down"
            lines.append(("Next post", f"{post}  ({arrow})"))
        if ahead is not None:
            grade = math.nan if stale else ahead.grade_pct(run.traces.distance_m)
            words = f"{grade:+.2f} %".replace("-", "−") if math.isfinite(grade) else NO_VALUE
            lines.append(("Grade", words))
        row = min(box.height() / max(3, len(lines)), self.small * 2.3)
        for i, (name, text) in enumerate(lines):
            line = QRectF(
                box.left() + _PAD, box.top() + 2 + i * row, box.width() - 2 * _PAD, row
            )
            used = write(painter, line, name, look.faint, min(self.small * 1.05, row * 0.6))
            rest = line.adjusted(used + _PAD, 0, 0, 0)
            size = min(self.small * 1.5, row * 0.78)
            write(painter, rest, text, look.ink, size, bold=True, right=True)

    def _distance_text(self) -> str:
        if not self._run.traces.measures_distance:
            return NOT_MEASURED
        if self._run.distance_is_stale:
            return _no_data(self._run.distance_age_s)
        unit = shown_quantity("distance", self.system)
        return f"{unit.text(self._run.traces.distance_m)} {unit.label}"


def _no_data(age_s: float) -> str:
    return f"no data for {age_s:.0f} s" if math.isfinite(age_s) else "no data yet"
