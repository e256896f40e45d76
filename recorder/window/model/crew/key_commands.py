"""What a key does: marks, typing, questions. Explicit states, no Qt, no focus to lose."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

from recorder.marks.grammar import MarkValueError
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.window.model.crew.mark_list import Entry, MarkList

__all__ = ["BUTTONS", "Command", "KeyCommands", "KeyMode", "Question"]

MOST_TYPED: Final = 300


class Command(Enum):
    """Something the window does that is no mark: its key, and what its button is called.

    All with Ctrl, or keys that make no mark: every printable key is the crew's.
    """

    DETAILS = ("Enter", "Details")
    WITHDRAW = ("Delete", "Withdraw")
    AXIS = ("Ctrl+T", "Time/distance")
    LONGER = ("Ctrl+Up", "Longer view")
    SHORTER = ("Ctrl+Down", "Shorter view")
    UNITS = ("Ctrl+U", "Units")
    APPEARANCE = ("Ctrl+N", "Day/night")
    NEXT_POST = ("Ctrl+M", "Next post…")
    TURN_COUNT = ("Ctrl+R", "Count up/down")
    ZERO = ("Ctrl+0", "Take zero")
    SHUNT = ("Ctrl+9", "Shunt check")
    SHUNTED = ("", "")
    """The second reading of a shunt check: asked for by the window itself after the first."""
    STOP = ("Ctrl+S", "Stop…")
    EARLIER = ("Up", "")
    LATER = ("Down", "")
    FULL_SCREEN = ("Ctrl+F", "")
    LEAVE = ("Ctrl+Q", "")

    def __init__(self, key: str, words: str) -> None:
        self.key = key
        self.words = words
        """Empty for a command without a button."""


BUTTONS: Final = tuple(command for command in Command if command.words)
"""In the order of the row."""

_BY_KEY: Final = {c.key: c for c in Command if c.key} | {"Ctrl+Enter": Command.DETAILS}


@dataclass(frozen=True, slots=True)
class Question:
    """Asked in the window itself; nothing pops up."""

    words: str
    yes: str
    """What Enter does, in words."""
    command: Command


class KeyMode(Enum):
    """What the keys are for just now."""

    KEYS = "keys"
    """Marks and commands."""
    DETAILS = "details"
    """They type the details of a mark; with Alt a mark is taken all the same."""
    NEXT_POST = "next post"
    """They type the number of the next milepost."""
    ASKING = "asking"
    """A question stands; mark keys go on working, since a question must not cost a mark."""

    @property
    def typing(self) -> bool:
        """Whether letters are words, not marks."""
        return self in (KeyMode.DETAILS, KeyMode.NEXT_POST)


class KeyCommands:
    """Decides what each key press means: a mark, a command, a letter, an answer."""

    def __init__(self, marks: MarkList, do: Callable[[Command], None]) -> None:
        self.mode = KeyMode.KEYS
        self.typed = ""
        self.caution = ""
        """Why what was typed cannot stand."""
        self.question: Question | None = None
        self.selected: int | None = None
        """Number of the mark that Enter and Delete are about; None: the latest."""
        self._marks = marks
        self._do = do

    # ------------------------------------------------------------------ keys

    def key(self, name: str, text: str, keyed_ns: int, *, alt: bool = False) -> bool:
        """A key went down at ``keyed_ns`` (monotonic). True when it meant something.

        ``name`` is ``A``, ``F5``, ``Space``, ``Enter``, ``Ctrl+T`` …; ``text`` what it types.
        With Alt a mark is taken in any state, also while typing.
        """
        if not alt:
            if self.mode.typing:
                self._typing_key(name, text, keyed_ns)
                return True
            if self.mode is KeyMode.ASKING and name in ("Enter", "Escape"):
                self.answer(yes=name == "Enter")
                return True
            command = _BY_KEY.get(name) if self.mode is KeyMode.KEYS else None
            if command is not None:
                self.command(command)
                return True
            if name.startswith("Ctrl+"):
                return False
        for key in (name, text.upper(), text):
            if key and self._marks.press(key, keyed_ns) is not None:
                self.selected = None if self.mode is KeyMode.KEYS else self.selected
                return True
        return False

    def _typing_key(self, name: str, text: str, keyed_ns: int) -> None:
        if name in ("Enter", "Ctrl+Enter"):
            self._typed_all(keyed_ns)
        elif name == "Escape":
            self._leave_typing()
        elif name == "Backspace":
            self.typed = self.typed[:-1]
        elif text and text.isprintable():
            self.typed = (self.typed + text)[:MOST_TYPED]
            self.caution = ""

    def typed_text(self, text: str) -> None:
        """Text from an input method."""
        if self.mode.typing:
            self.typed = (self.typed + "".join(c for c in text if c.isprintable()))[:MOST_TYPED]

    # ------------------------------------------------------------------ commands

    def command(self, command: Command) -> None:
        """Do a command, from a key or a button."""
        match command:
            case Command.DETAILS:
                self._start_typing()
            case Command.NEXT_POST:
                # Empty, unlike a mark's details: digits behind the old number would make 1240.
                self.mode, self.typed, self.caution = KeyMode.NEXT_POST, "", ""
            case Command.WITHDRAW:
                if (entry := self.entry()) is not None:
                    self._marks.withdraw(entry)
            case Command.EARLIER:
                self._move(-1)
            case Command.LATER:
                self._move(1)
            case Command.STOP:
                words = (
                    "Stop the recording? The file is then closed and checked; no more marks."
                )
                self._ask(words, "stop", command)
            case Command.ZERO:
                words = "Take the zero now? Only at rest, coupler slack, no force on it."
                self._ask(words, "take the zero", command)
            case Command.SHUNT:
                words = "Shunt check, 1 of 2: at rest, coupler slack, shunt OFF. Read the cell?"
                self._ask(words, "read", command)
            case Command.SHUNTED:
                words = "Shunt check, 2 of 2: shunt ON and the reading steady. Read the cell?"
                self._ask(words, "read", command)
            case Command.TURN_COUNT:
                self._marks.turn_count()
            case _:
                self._do(command)

    def answer(self, *, yes: bool) -> None:
        """Answer the question that is asked."""
        question, self.question, self.mode = self.question, None, KeyMode.KEYS
        if yes and question is not None:
            self._do(question.command)

    def entry(self) -> Entry | None:
        """The mark that Enter and Delete are about."""
        entries = self._marks.entries
        chosen = next((e for e in entries if e.number == self.selected), None)
        return chosen or (entries[-1] if entries else None)

    @property
    def heading(self) -> str:
        """What is being typed."""
        return "NEXT MILEPOST: " if self.mode is KeyMode.NEXT_POST else "DETAILS: "

    def prompt(self) -> str:
        """What may be typed now."""
        if self.mode is KeyMode.NEXT_POST:
            now = self._marks.next_milepost().text or "not known"
            return f"{Kind.MILEPOST.hint} (now {now})"
        entry = self.entry()
        if entry is None or not isinstance(entry.mark.kind, Kind):
            return ""
        kind = entry.mark.kind
        return f"{kind.label}: {kind.hint}"

    def note_hint(self) -> str:
        """How a note is typed behind a mark's value; empty where none can be."""
        entry = self.entry() if self.mode is KeyMode.DETAILS else None
        if entry is None or not isinstance(entry.mark.kind, Kind):
            return ""
        return "; after a semicolon, a note" * entry.mark.kind.parts_note

    def _ask(self, words: str, yes: str, command: Command) -> None:
        self.mode, self.question = KeyMode.ASKING, Question(words, yes, command)

    def _start_typing(self) -> None:
        entry = self.entry()
        if entry is None:
            return
        self.selected = entry.number
        self.typed = self._marks.typed_of(entry)
        self.mode, self.caution = KeyMode.DETAILS, ""

    def _typed_all(self, keyed_ns: int) -> None:
        entry = self.entry()
        try:
            if self.mode is KeyMode.NEXT_POST:
                self._marks.set_next_milepost(self.typed, keyed_ns)
            elif entry is not None:
                self._marks.fill_in(entry, self.typed)
        except MarkValueError as error:
            self.caution = str(error)
        else:
            self._leave_typing()

    def _leave_typing(self) -> None:
        self.mode, self.typed, self.caution, self.selected = KeyMode.KEYS, "", "", None

    def _move(self, step: int) -> None:
        entries = self._marks.entries
        entry = self.entry()
        if entry is None:
            return
        at = next(i for i, e in enumerate(entries) if e is entry) + step
        at = min(max(at, 0), len(entries) - 1)
        self.selected = None if at == len(entries) - 1 else entries[at].number
