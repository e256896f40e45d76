"""The bench page: a guided calibration on live counts, one window, no pop-ups."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from PyQt6.QtCore import QEvent, QObject, Qt, QTimer
from PyQt6.QtGui import QCloseEvent, QKeyEvent, QResizeEvent
from PyQt6.QtWidgets import QApplication, QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from recorder.window.model.bench.bench_desk import BenchDesk
from recorder.window.qt.bench.bench_panels import (
    CountsStrip,
    DoPanel,
    HeadPanel,
    LivePanel,
    PlanPanel,
)
from recorder.window.qt.frame.application import application, destroy
from recorder.window.qt.frame.key_filter import key_name
from recorder.window.qt.frame.picture import save_picture
from recorder.window.qt.frame.preflight import check_screen, draw_unseen
from recorder.window.qt.panels.appearance import APPEARANCES

if TYPE_CHECKING:
    from pathlib import Path

    from calibration.bench.session import BenchSession
    from recorder.acquisition.bench.bench_feed import BenchFeed

__all__ = ["BenchPage", "run_bench_page"]

_FRAME_MS: Final = 50
_BUTTONS: Final = (
    ("take", "Read", "Enter"),
    ("cancel", "Give up", "Esc"),
    ("accept", "Accept", "Ctrl+A"),
    ("hurry", "Cut the wait", "Ctrl+H"),
    ("repeat", "Read again", "Ctrl+R"),
    ("skip", "Skip", "Ctrl+K"),
    ("temperature", "Temperature", "Ctrl+E"),
    ("finish", "Finish", "Ctrl+F"),
    ("appearance", "Day/night", "Ctrl+N"),
    ("leave", "Leave", "Ctrl+Q"),
)


class _Keys(QObject):
    """All keys of the application go to the page."""

    def __init__(self, page: BenchPage) -> None:
        super().__init__(page)
        self._page = page

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:
        """Key presses, whatever has the focus."""
        del watched
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.KeyPress:
            return self._page.key(key_name(event), event.text())
        return False


class BenchPage(QWidget):
    """Skin over :class:`BenchDesk`."""

    def __init__(self, desk: BenchDesk, *, appearance: str = "day") -> None:
        super().__init__()
        self.desk = desk
        self.look_name = appearance
        self.setWindowTitle("bench calibration — test car recorder")
        self.head, self.plan = HeadPanel(desk), PlanPanel(desk)
        self.live, self.strip, self.doing = LivePanel(desk), CountsStrip(desk), DoPanel(desk)
        self.buttons = [self._button(*row) for row in _BUTTONS]
        self._lay_out()
        self._keys = _Keys(self)
        application = QApplication.instance()
        if application is not None:
            application.installEventFilter(self._keys)
        self._timer = QTimer(self)
        self._timer.setInterval(_FRAME_MS)
        self._timer.timeout.connect(self.draw_frame)
        self.dress()

    def _button(self, name: str, words: str, key: str) -> QPushButton:
        button = QPushButton(f"{words}\n{key}")
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        button.setMinimumWidth(10)
        button.clicked.connect(lambda _=False: self.do(name))
        return button

    def _lay_out(self) -> None:
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addWidget(self.head)
        middle = QHBoxLayout()
        middle.setSpacing(2)
        right = QVBoxLayout()
        right.setSpacing(2)
        right.addWidget(self.live, 5)
        right.addWidget(self.strip, 4)
        middle.addWidget(self.plan, 11)
        middle.addLayout(right, 9)
        column.addLayout(middle, 1)
        column.addWidget(self.doing)
        row = QHBoxLayout()
        row.setSpacing(2)
        for button in self.buttons:
            row.addWidget(button, 1)
        column.addLayout(row)

    @property
    def small(self) -> float:
        """Size of small print in pixels."""
        return float(min(max(self.height() / 52.0, 11.0), 22.0, max(11.0, self.width() / 84.0)))

    def dress(self) -> None:
        """Appearance and sizes to every part."""
        look, small = APPEARANCES[self.look_name], self.small
        for panel in (self.head, self.plan, self.live, self.doing):
            panel.dress(look, small)
        self.strip.dress(look, small)
        self.head.setFixedHeight(round(small * (4.4 if self.width() > 1100 else 5.4)))
        self.doing.setFixedHeight(round(small * 8.0))
        self.setStyleSheet(
            f"BenchPage {{ background: {look.ground}; }}"
            f"QPushButton {{ background: {look.panel}; color: {look.ink}; border: 1px solid"
            f" {look.rule}; font-family: 'DejaVu Sans'; font-size: {round(small * 0.95)}px;"
            f" padding: 2px; }} QPushButton:pressed {{ background: {look.rule}; }}"
        )

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        """Sizes follow the window."""
        super().resizeEvent(event)
        self.dress()

    def start(self) -> None:
        """Begin to draw."""
        self._timer.start()

    def draw_frame(self) -> None:
        """One frame."""
        self.desk.tick()
        self.strip.draw()
        for panel in (self.head, self.plan, self.live, self.doing):
            panel.update()
        if self.desk.finished:
            self.close()

    def key(self, name: str, text: str) -> bool:
        """A key press anywhere in the application."""
        commands = {"Ctrl+N": "appearance", "Ctrl+Q": "leave"}
        if name in commands:
            self.do(commands[name])
            return True
        return self.desk.key(name, text)

    def do(self, action: str) -> None:
        """An action of a button or a key."""
        if action == "appearance":
            self.look_name = "night" if self.look_name == "day" else "day"
            self.dress()
        elif action == "leave":
            self.close()
        else:
            self.desk.do(action)

    def closeEvent(self, event: QCloseEvent | None) -> None:
        """Every reading taken is on disk; the session can be gone on with."""
        self._timer.stop()
        application = QApplication.instance()
        if application is not None:
            application.removeEventFilter(self._keys)
        super().closeEvent(event)


def run_bench_page(
    session: BenchSession,
    *,
    feed: BenchFeed | None = None,
    appearance: str = "day",
    png: str | Path | None = None,
    seconds: float | None = None,
    patience_s: float = 0.0,
    size: tuple[int, int] = (1280, 800),
) -> bool:
    """Show the page until the person finishes or leaves; the caller closes session and feed.

    Returns
    -------
    bool
        True when the person asked for the certificate to be worked out.

    Raises
    ------
    NoScreenError
        No window can be opened here.
    """
    if png is not None:
        draw_unseen()
    check_screen()
    app = application()
    desk = BenchDesk(session, feed, patience_s=patience_s)
    page = BenchPage(desk, appearance=appearance)
    page.resize(*size)
    page.show()
    page.start()

    def finish() -> None:
        if png is not None:
            save_picture(page, png)
        page.close()

    if seconds is not None:
        QTimer.singleShot(max(1, round(seconds * 1000)), finish)
    app.exec()
    destroy(page)
    return desk.finished
