"""The list of marks, and the line in which details are typed."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from PyQt6.QtCore import QRectF
from PyQt6.QtGui import QColor, QPainter

from recorder.window.model.crew.key_commands import KeyCommands
from recorder.window.model.crew.mark_list import EntryState
from recorder.window.model.live.device_lines import run_time_text
from recorder.window.qt.panels.painted import Panel, write

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QWidget

    from recorder.window.model.crew.mark_list import Entry
    from recorder.window.model.live.live_run import LiveRun

__all__ = ["MarkPanel"]

_PAD: Final = 6.0
_SIGNS: Final = {
    EntryState.TAKEN: "✓",
    EntryState.PENDING: "…",
    EntryState.REFUSED: "✗",
    EntryState.UNSURE: "?",
}
_STATES: Final = {
    EntryState.PENDING: "not saved yet",
    EntryState.REFUSED: "REFUSED",
    EntryState.UNSURE: "NOT CONFIRMED",
}


class MarkPanel(Panel):
    """Newest marks at the bottom, above them the older ones; the line for typing last."""

    def __init__(
        self, run: LiveRun, commands: KeyCommands, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._run = run
        self._commands = commands

    def draw(self, painter: QPainter, area: QRectF) -> None:
        """As many marks as there is room for, and the typing line."""
        row = self.small * 1.55
        foot = row * (3 if self._commands.mode.typing else 2)
        self._foot(painter, QRectF(area.left(), area.bottom() - foot, area.width(), foot))
        room = int((area.height() - foot - 2) // row)
        entries = self._window(room)
        chosen = self._commands.entry()
        y = area.bottom() - foot - row * len(entries)
        for entry in entries:
            box = QRectF(area.left(), y, area.width(), row)
            self._line(painter, box, entry, chosen=entry is chosen)
            y += row
        if not entries:
            text = "No marks yet. Press the key as it happens; type details after."
            box = area.adjusted(_PAD, 0, -_PAD, -foot)
            write(painter, box, text, self.look.faint, self.small)

    def _window(self, room: int) -> list[Entry]:
        """The newest marks, or those around the one chosen."""
        entries = self._run.marks.entries
        chosen = self._commands.entry()
        end = len(entries)
        if chosen is not None and self._commands.selected is not None:
            at = next(i for i, e in enumerate(entries) if e is chosen)
            end = min(len(entries), max(at + 1 + room // 2, room))
        return entries[max(0, end - room) : end]

    def _line(self, painter: QPainter, box: QRectF, entry: Entry, *, chosen: bool) -> None:
        look, mark = self.look, entry.shown
        if chosen:
            painter.fillRect(box, QColor(look.paper))
            painter.fillRect(
                QRectF(box.left(), box.top(), 3, box.height()), QColor(look.typing)
            )
        ink = look.ink if entry.state is EntryState.TAKEN else look.loud_text
        if mark.withdrawn:
            ink = look.faint
        words = f"{_SIGNS[entry.state]}  {run_time_text(mark.t_s)}   {entry.label}"
        if mark.note:
            words += f"  — {mark.note}"
        tail = _STATES.get(entry.state, "")
        if entry.problem:
            tail = f"{tail} {entry.problem}".strip()
        if mark.withdrawn:
            tail = "withdrawn (Delete brings it back)" if chosen else "withdrawn"
        elif entry.wanted:
            tail = "change not saved yet"
        words += f"   {tail}" if tail else ""
        inside = box.adjusted(_PAD + 3, 0, -_PAD, 0)
        bold = entry.state is not EntryState.TAKEN
        used = write(painter, inside, words, ink, self.small, bold=bold)
        if mark.withdrawn:
            y = box.center().y()
            painter.drawLine(int(inside.left()), int(y), int(inside.left() + used), int(y))

    def _foot(self, painter: QPainter, box: QRectF) -> None:
        look, commands = self.look, self._commands
        row = self.small * 1.55
        first = QRectF(box.left() + _PAD, box.top(), box.width() - 2 * _PAD, row)
        second = first.translated(0, row)
        if commands.mode.typing:
            painter.fillRect(box, QColor(look.typing))
            caret = "▏" if int(time.monotonic() * 2) % 2 else " "
            words = commands.typed + caret
            used = write(
                painter, first, commands.heading, look.typing_ink, self.small * 1.05, bold=True
            )
            rest = first.adjusted(used + _PAD, 0, 0, 0)
            # The end is what is being typed: a long text loses its beginning on the screen.
            write(painter, rest, words, look.typing_ink, self.small * 1.05, keep_end=True)
            size = self.small * 0.9
            hint = commands.caution or commands.prompt()
            write(painter, second, hint, look.typing_ink, size)
            keys = f"Enter saves, Esc cancels{commands.note_hint()}"
            write(painter, second.translated(0, row), keys, look.typing_ink, size)
            return
        hint = self._run.marks.hint or self._run.message
        keys = "↑ ↓ choose   Enter details   Delete withdraws   Ctrl+M next post"
        write(painter, first, keys, look.faint, self.small * 0.92)
        write(painter, second, hint, look.ink, self.small * 0.92)
