"""The crew's window: a thin skin over :class:`LiveRun`, drawn by its own timer."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any, Final

from PyQt6.QtCore import Qt, QTimer
from PyQt6.QtGui import QCloseEvent, QResizeEvent
from PyQt6.QtWidgets import (
    QApplication,
    QGridLayout,
    QHBoxLayout,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from calibration.quantities.editions import Edition
from recorder.machine.clocks import now_ns
from recorder.run.checks.shunt_check import ShuntStep
from recorder.window.model.crew.key_commands import BUTTONS, Command, KeyCommands, KeyMode
from recorder.window.qt.frame.key_filter import KeyFilter
from recorder.window.qt.panels.appearance import APPEARANCES
from recorder.window.qt.panels.mark_panel import MarkPanel
from recorder.window.qt.panels.numeral_panel import NumeralPanel
from recorder.window.qt.panels.painted import Panel, write
from recorder.window.qt.panels.panels import (
    AlarmPanel,
    DevicePanel,
    KeyPanel,
    TopPanel,
)
from recorder.window.qt.paper.paper import Paper
from recorder.window.qt.paper.profile_panel import ProfilePanel

if TYPE_CHECKING:
    from PyQt6.QtCore import QRectF
    from PyQt6.QtGui import QPainter

    from recorder.window.model.live.live_run import LiveRun

__all__ = ["CAUTION", "CrewWindow"]

CAUTION: Final = (
    "Not a safety system: signals, local rules and licensed practice come first. Stay clear of"
    " couplers while the train may move."
)
_NUMERALS_MS: Final = 200
_LIT_MS: Final = 400


class _Caution(Panel):
    """The caution line, and what the bottom axis shows."""

    words = ""

    def shown(self) -> Hashable:
        """The words at the right: the others are always the same."""
        return self.words

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """One line."""
        inside = area.adjusted(6, 0, -6, 0)
        right = write(
            painter, inside, self.words, self.look.faint, self.small * 0.88, right=True
        )
        rest = inside.adjusted(0, 0, -right - 12, 0)
        write(painter, rest, CAUTION, self.look.faint, self.small * 0.88)


class CrewWindow(QWidget):
    """One full window, no pop-ups. ``run`` must be started and closed by whoever made it."""

    def __init__(self, run: LiveRun, *, appearance: str = "day", fps: float = 30.0) -> None:
        super().__init__()
        self.run = run
        self.look_name = appearance
        self.system = run.car.units
        self._newest = float("nan")
        """Where the paper ended when it was last drawn."""
        self._paper_due = True
        """Marks or states may have changed since."""
        self.after_draw: Any = None
        """Called at each frame with what is about to be painted."""
        self.setWindowTitle(f"{run.trip.name} — test car recorder")
        self.setAttribute(Qt.WidgetAttribute.WA_InputMethodEnabled)
        self.commands = KeyCommands(run.marks, self.do)
        self.top = TopPanel(run)
        self.alarm = AlarmPanel(run)
        self.paper = Paper(run)
        self.numerals = NumeralPanel(run)
        self.profile = ProfilePanel(run) if run.ahead or run.route_problem else None
        self.keys = KeyPanel(run)
        self.marks = MarkPanel(run, self.commands)
        self.devices = DevicePanel(run)
        self.caution = _Caution()
        self.alarm.answered.connect(lambda word: self.commands.answer(yes=word == "yes"))
        self.keys.pressed.connect(self._touched)
        self.buttons = [self._button(c) for c in BUTTONS]
        self._lay_out()
        self._filter = KeyFilter(
            self.commands, trust_stamps=_monotonic_stamps(), pressed=self._light
        )
        self._install_filter()
        self.dress()
        self._frames = self._timer(1000.0 / fps, self.draw_frame, precise=True)
        self._slow = self._timer(_NUMERALS_MS, self.draw_words)
        self._unlight = QTimer(self)
        self._unlight.setSingleShot(True)
        self._unlight.timeout.connect(self._put_out)

    def _timer(self, ms: float, call: Callable[[], object], *, precise: bool = False) -> QTimer:
        timer = QTimer(self)
        if precise:
            timer.setTimerType(Qt.TimerType.PreciseTimer)
        timer.setInterval(max(5, round(ms)))
        timer.timeout.connect(call)
        return timer

    def _install_filter(self) -> None:
        application = QApplication.instance()
        if application is not None:
            application.installEventFilter(self._filter)

    def _button(self, command: Command) -> QPushButton:
        button = QPushButton(f"{command.words}\n{command.key}")
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        button.setMinimumWidth(10)
        button.clicked.connect(lambda _=False: self.commands.command(command))
        return button

    def _lay_out(self) -> None:
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addWidget(self.top)
        column.addWidget(self.alarm)
        middle = QHBoxLayout()
        middle.setSpacing(2)
        middle.addWidget(self.paper, 1)
        middle.addWidget(self.numerals)
        column.addLayout(middle, 1)
        if self.profile is not None:
            column.addWidget(self.profile)
        bottom = QGridLayout()
        bottom.setSpacing(2)
        bottom.addWidget(self.keys, 0, 0)
        bottom.addWidget(self.marks, 0, 1)
        bottom.addWidget(self.devices, 0, 2)
        for i, share in enumerate((38, 35, 27)):
            bottom.setColumnStretch(i, share)
        column.addLayout(bottom)
        row = QHBoxLayout()
        row.setSpacing(2)
        for button in self.buttons:
            row.addWidget(button, 1)
        column.addLayout(row)
        column.addWidget(self.caution)
        self._bottom = bottom

    # ------------------------------------------------------------------ look

    @property
    def small(self) -> float:
        """Size of small print in pixels, from the size of the window."""
        return float(min(max(self.height() / 56.0, 10.5), 22.0, max(10.5, self.width() / 84.0)))

    def dress(self) -> None:
        """Appearance, units and sizes to every part."""
        look, small = APPEARANCES[self.look_name], self.small
        for panel in self._panels():
            panel.dress(look, small)
        self.numerals.system = self.system
        if self.profile is not None:
            self.profile.system = self.system
            self.profile.setFixedHeight(round(small * (7.6 if self.height() > 640 else 6.4)))
        self.paper.dress(look, self.system, small)
        self.caution.words = self.paper.axis_words()
        self.top.setFixedHeight(round(small * 2.3))
        self.numerals.setFixedWidth(round(min(max(self.width() * 0.24, 200), 520)))
        height = round(min(max(self.height() * 0.20, small * 11.4), small * 13.5))
        for widget in (self.keys, self.marks, self.devices):
            widget.setFixedHeight(height)
        self.caution.setFixedHeight(round(small * 1.5))
        self.setStyleSheet(
            f"CrewWindow {{ background: {look.ground}; }}"
            f"QPushButton {{ background: {look.panel}; color: {look.ink}; border: 1px solid"
            f" {look.rule}; font-family: 'DejaVu Sans'; font-size: {round(small * 0.92)}px;"
            f" padding: 2px; }} QPushButton:pressed {{ background: {look.rule}; }}"
        )
        self._fit_alarm()

    def _panels(self) -> list[Panel]:
        panels: list[Panel] = [self.top, self.alarm, self.numerals, self.keys, self.marks]
        panels += [self.devices, self.caution]
        return panels if self.profile is None else [*panels, self.profile]

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        """Sizes follow the window."""
        super().resizeEvent(event)
        self.dress()

    # ------------------------------------------------------------------ drawing

    def start(self) -> None:
        """Begin to draw."""
        self._frames.start()
        self._slow.start()
        self.draw_words()

    def draw_frame(self) -> None:
        """One frame of the paper, if it has moved or words have changed; where it stands still
        nothing is drawn."""
        began_s = self.run.now_s()
        self.run.tick()
        newest = self.run.traces.newest(self.paper.view.axis)
        if newest == self._newest and not self._paper_due:
            return
        self._newest, self._paper_due = newest, False
        self.paper.draw()
        if self.after_draw is not None:
            self.after_draw(dict(self.run.drawn), began_s)

    def draw_words(self) -> None:
        """Numerals, marks, states: as often as an eye reads them."""
        self._paper_due = True
        if self.run.shunt_due and self.commands.mode is KeyMode.KEYS:
            self.run.shunt_due = False
            self.commands.command(Command.SHUNTED)
        question = self.commands.question
        self.alarm.question = "" if question is None else question.words
        self.alarm.yes = "" if question is None else question.yes
        self.keys.off = self.commands.mode.typing
        self._tell_highest()
        self._fit_alarm()
        for panel in self._panels():
            panel.refresh()

    def _tell_highest(self) -> None:
        shown = [
            (strip.extent[1], strip.beyond)
            for strip in self.paper.strips
            if strip.pen.quantity == "pull" and strip.pen.measures and strip.extent
        ]
        highest = max(shown, default=(float("nan"), False))
        self.numerals.highest_kN, self.numerals.highest_railed = highest

    def _fit_alarm(self) -> None:
        height = round(self.alarm.wanted_height(self.width()))
        self.alarm.setFixedHeight(height)
        self.alarm.setVisible(height > 0)

    # ------------------------------------------------------------------ doing

    def do(self, command: Command) -> None:
        """What the key commands decided."""
        match command:
            case Command.AXIS:
                self.paper.view.turn()
            case Command.LONGER:
                self.paper.view.step(1)
            case Command.SHORTER:
                self.paper.view.step(-1)
            case Command.UNITS:
                self.system = Edition(self.system).other
            case Command.APPEARANCE:
                self.look_name = "night" if self.look_name == "day" else "day"
            case Command.ZERO:
                self.run.take_zero()
            case Command.SHUNT:
                self.run.read_shunt(ShuntStep.OPEN)
            case Command.SHUNTED:
                self.run.read_shunt(ShuntStep.SHUNTED)
            case Command.STOP:
                self.run.stop_recording()
            case Command.FULL_SCREEN:
                self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)
            case Command.LEAVE:
                self.close()
        self.dress()
        self._paper_due = True

    def _touched(self, key: str) -> None:
        self.commands.key(key, key, now_ns())
        self._light(key)

    def _put_out(self) -> None:
        self._light("")

    def _light(self, name: str) -> None:
        """Light the cap of a key that was pressed, and show its mark at once."""
        self.keys.lit = name
        if name:
            self._unlight.start(_LIT_MS)
        self.draw_words()

    def closeEvent(self, event: QCloseEvent | None) -> None:
        """Stop drawing; the recording goes on without a window."""
        self._frames.stop()
        self._slow.stop()
        self._unlight.stop()
        application = QApplication.instance()
        if application is not None:
            application.removeEventFilter(self._filter)
        super().closeEvent(event)


def _monotonic_stamps() -> bool:
    """Whether the windowing system stamps keys with the machine's monotonic clock."""
    return QApplication.platformName() in ("xcb", "wayland")
