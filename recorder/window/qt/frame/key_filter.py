"""Key presses of the whole application, stamped at once, whatever has the focus."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from PyQt6.QtCore import QEvent, QObject, Qt
from PyQt6.QtGui import QInputMethodEvent, QKeyEvent

from recorder.machine.clocks import now_ns
from recorder.window.model.crew.key_commands import KeyCommands

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["KeyFilter", "key_name", "pressed_ns"]

_NAMES: Final = {
    Qt.Key.Key_Return: "Enter",
    Qt.Key.Key_Enter: "Enter",
    Qt.Key.Key_Escape: "Escape",
    Qt.Key.Key_Backspace: "Backspace",
    Qt.Key.Key_Delete: "Delete",
    Qt.Key.Key_Space: "Space",
    Qt.Key.Key_Up: "Up",
    Qt.Key.Key_Down: "Down",
}
_LATEST_MS: Final = 250
"""A key event older than this carries a clock that is not ours."""


def key_name(event: QKeyEvent) -> str:
    """``A``, ``F5``, ``Enter``, ``Ctrl+T`` …; empty for a key without meaning of its own."""
    key = event.key()
    try:
        named = _NAMES.get(Qt.Key(key))
    except ValueError:
        named = None
    if named is None:
        if Qt.Key.Key_F1 <= key <= Qt.Key.Key_F12:
            named = f"F{key - Qt.Key.Key_F1 + 1}"
        elif 0x21 <= key <= 0x17E:
            named = chr(key).upper()
        else:
            named = ""
    control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
    return f"Ctrl+{named}" if control and named else named


def pressed_ns(now_ns: int, stamp_ms: int) -> int:
    """Monotonic instant of a key-down.

    The windowing system stamps an event when the key goes down, in milliseconds of a 32-bit
    clock, on X and Wayland the monotonic clock of the machine. A frame being drawn holds an
    event up by some milliseconds, which the stamp takes back; a stamp that does not fit this
    clock is not used.
    """
    late_ms = ((now_ns // 1_000_000) - stamp_ms) % 2**32
    if not 0 <= late_ms <= _LATEST_MS:
        return now_ns
    # Half a millisecond: the stamp is cut to whole ones.
    stamped = now_ns - late_ms * 1_000_000 - now_ns % 1_000_000 + 500_000
    return min(now_ns, stamped)


class KeyFilter(QObject):
    """Installed on the application: marks do not depend on any widget's focus."""

    def __init__(
        self,
        commands: KeyCommands,
        *,
        trust_stamps: bool,
        pressed: Callable[[str], None] | None = None,
    ) -> None:
        super().__init__()
        self._commands = commands
        self._trust = trust_stamps
        self._pressed = pressed

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:
        """Take key presses before any widget; repeats of a held key mean nothing.

        What means something is taken at the window and goes no further; what does not comes
        here again for each widget on its way, and means nothing there either.
        """
        at_ns = now_ns()
        del watched
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.KeyPress:
            return self.take(event, at_ns)
        if isinstance(event, QInputMethodEvent) and event.commitString():
            self._commands.typed_text(event.commitString())
            return True
        return False

    def take(self, event: QKeyEvent, at_ns: int) -> bool:
        """Handle one key press that came in at ``at_ns``."""
        if event.isAutoRepeat() and not self._commands.mode.typing:
            return True
        keyed = pressed_ns(at_ns, event.timestamp()) if self._trust else at_ns
        alt = bool(event.modifiers() & Qt.KeyboardModifier.AltModifier)
        name = key_name(event)
        meant = self._commands.key(name, event.text(), keyed, alt=alt)
        if meant and self._pressed is not None:
            self._pressed(name)
        return meant
