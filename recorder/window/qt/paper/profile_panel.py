"""The strip of the line: profile, curves, posts, the train drawn to its length."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF

from calibration.quantities.editions import shown_quantity
from recorder.window.qt.panels.appearance import font
from recorder.window.qt.panels.painted import Panel, write

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PyQt6.QtWidgets import QWidget

    from recorder.window.model.line.route_ahead import Strip
    from recorder.window.model.live.live_run import LiveRun

__all__ = ["ProfilePanel"]

_Metres = TypeVar("_Metres", float, "NDArray[np.float64]")

_PAD: Final = 6.0
_CARS_PX: Final = 4
_LOCOMOTIVE_PX: Final = 9
_SIGNS: Final = {"station": "■", "signal": "◆", "bridge": "∩", "tunnel": "∩", "crossing": "✕"}


class ProfilePanel(Panel):
    """Draws :class:`RouteAhead` for where the train is now."""

    def __init__(self, run: LiveRun, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._run = run
        self.system = run.car.units

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """Profile at the left, what comes at the right."""
        run = self._run
        ahead = None if run.distance_is_stale else run.ahead
        strip = None if ahead is None else ahead.strip(run.traces.distance_m)
        if strip is None:
            words = run.route_problem or self._why_not_placed()
            write(painter, area.adjusted(_PAD, 0, -_PAD, 0), words, self.look.faint, self.small)
            return
        side = min(area.width() * 0.27, self.small * 25)
        left = area.adjusted(0, 0, -side, 0)
        row = self.small * 1.3
        self._posts(painter, QRectF(left.left(), left.top(), left.width(), row), strip)
        curve = QRectF(left.left(), left.bottom() - row, left.width(), row)
        middle = left.adjusted(0, row, 0, -row)
        self._profile(painter, middle, strip)
        self._curves(painter, curve, strip)
        self._coming(painter, QRectF(left.right(), area.top(), side, area.height()))

    def _why_not_placed(self) -> str:
        words, run = "Place on the route not known: ", self._run
        if not run.traces.measures_distance:
            return words + "the car has no measuring wheel with a certificate"
        if run.distance_is_stale:
            return words + "nothing comes from the measuring wheel"
        return words + "key the next milepost and its number"

    @staticmethod
    def _x(box: QRectF, strip: Strip, metres: _Metres) -> _Metres:
        x0, x1 = float(strip.x_m[0]), float(strip.x_m[-1])
        return box.left() + (metres - x0) / (x1 - x0) * box.width()

    def _posts(self, painter: QPainter, box: QRectF, strip: Strip) -> None:
        """Posts and places in one row; a label that has no room is left out, its sign stays."""
        look, size = self.look, self.small * 0.88
        metrics = QFontMetricsF(font(size))
        taken: list[tuple[float, float]] = []
        rows = [(x, f"│{label}") for x, label in strip.posts]
        rows += [(x, f"{_SIGNS.get(kind, '•')}{label}") for x, kind, label in strip.places]
        for metres, text in rows:
            x = self._x(box, strip, metres)
            turned = text[1:] + text[:1]
            for words, left in ((text, False), (turned, True), (text[:1], False)):
                wide = metrics.horizontalAdvance(words) + 4
                a0 = x - wide + 4 if left else x
                free = all(a0 + wide < a or a0 > b for a, b in taken)
                if free and box.left() <= a0 and a0 + wide < box.right():
                    taken.append((a0, a0 + wide))
                    place = QRectF(a0, box.top(), wide + 4, box.height())
                    write(painter, place, words, look.ink, size)
                    break

    def _profile(self, painter: QPainter, box: QRectF, strip: Strip) -> None:
        look = self.look
        z = strip.elevation_m
        known = np.isfinite(z)
        painter.fillRect(box, QColor(look.paper))
        if known.any():
            low, high = float(np.nanmin(z)), float(np.nanmax(z))
            span = max(high - low, 10.0)
            low -= 0.12 * span
            scale = (box.height() - 3) / (1.3 * span)
            points = _points(
                self._x(box, strip, strip.x_m[known]), box.bottom() - (z[known] - low) * scale
            )
            ground = QPolygonF([QPointF(points[0].x(), box.bottom()), *points,
                                QPointF(points[-1].x(), box.bottom())])  # fmt: skip
            painter.setPen(Qt.PenStyle.NoPen)
            wash = QColor(look.land)
            wash.setAlpha(60)
            painter.setBrush(wash)
            painter.drawPolygon(ground)
            painter.setPen(QPen(QColor(look.land), 1))
            painter.drawPolyline(QPolygonF(points))
            self._train(painter, box, strip, points)
            self._curves_title(painter, box, points)
        else:
            write(
                painter,
                box.adjusted(_PAD, 0, 0, 0),
                "no profile for this part of the route",
                look.faint,
                self.small,
            )

    def _curves_title(self, painter: QPainter, box: QRectF, line: list[QPointF]) -> None:
        """What the strip below shows; in the sky where the ground is low, else in the ground."""
        size = self.small * 0.8
        words = "below: curves, left up, right down"
        wide = QFontMetricsF(font(size)).horizontalAdvance(words) + 2 * _PAD
        highest = min((p.y() for p in line if p.x() <= box.left() + wide), default=box.bottom())
        row = QRectF(box.left() + _PAD, box.top(), box.width() - _PAD, size * 1.4)
        if highest < row.bottom():
            row.moveBottom(box.bottom())
        write(painter, row, words, self.look.faint, size)

    def _train(self, painter: QPainter, box: QRectF, strip: Strip, line: list[QPointF]) -> None:
        """The cars in one line along the ground, the locomotive before them twice as high."""
        rear, front = (self._x(box, strip, m) for m in strip.train_m)
        here = self._x(box, strip, 0.0)
        front, rear = max(front, here + 3), min(rear, here - 1)
        xs = np.array([p.x() for p in line])
        ys = np.array([p.y() for p in line])
        for a, b, high in ((rear, here, _CARS_PX), (here, front, _LOCOMOTIVE_PX)):
            up = high / 2 + 1
            inside = (a <= xs) & (xs <= b)
            part = _points(xs[inside], ys[inside] - up)
            ends = _points(np.array([a, b]), np.interp([a, b], xs, ys) - up)
            pen = QPen(QColor(self.look.train), high)
            pen.setCapStyle(Qt.PenCapStyle.FlatCap)
            painter.setPen(pen)
            painter.drawPolyline(QPolygonF([ends[0], *part, ends[1]]))

    def _curves(self, painter: QPainter, box: QRectF, strip: Strip) -> None:
        """Curvature above the line to the left, below to the right, as the train goes."""
        look = self.look
        middle = box.center().y()
        curvature = np.nan_to_num(strip.curvature_per_m)
        most = max(float(np.abs(curvature).max()), 1 / 300.0)
        half = box.height() / 2 - 2
        points = _points(self._x(box, strip, strip.x_m), middle + curvature / most * half)
        painter.setPen(QPen(QColor(look.rule), 1))
        painter.drawLine(QPointF(box.left(), middle), QPointF(box.right(), middle))
        painter.setPen(QPen(QColor(look.land), 1))
        painter.drawPolyline(QPolygonF(points))

    def _coming(self, painter: QPainter, box: QRectF) -> None:
        look, run = self.look, self._run
        assert run.ahead is not None
        unit = shown_quantity("short_distance", self.system)
        rows = run.ahead.coming(run.traces.distance_m)[
            : max(1, int(box.height() // (self.small * 1.45)) - 1)
        ]
        row = self.small * 1.45
        title = QRectF(box.left() + _PAD, box.top(), box.width() - 2 * _PAD, row)
        write(
            painter,
            title,
            "Ahead, next 3 km" if self.system == "metric" else "Ahead",
            look.faint,
            self.small * 0.92,
        )
        for i, coming in enumerate(rows):
            line = title.translated(0, (i + 1) * row)
            far = f"{unit.text(coming.metres)} {unit.label}"
            right = write(painter, line, far, look.ink, self.small * 0.92, right=True)
            write(
                painter,
                line.adjusted(0, 0, -right - _PAD, 0),
                coming.label,
                look.ink,
                self.small * 0.92,
            )


def _points(xs: NDArray[np.float64], ys: NDArray[np.float64]) -> list[QPointF]:
    return list(map(QPointF, xs.tolist(), ys.tolist()))
