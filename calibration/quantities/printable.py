"""Text as it may stand on a line of a screen: it steers no terminal, and floods none."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

__all__ = ["error_line", "one_line", "printable", "shortened"]

STEERING: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""Categories of Unicode: control, format (turns the line about), half a pair, ends of lines."""


LONGEST_WORD: Final = 300
"""Letters of a word, such as a path, that are told whole."""
LONGEST_LINE: Final = 6_000
_HEAD, _TAIL = 200, 60


def printable(text: str, but: str = "") -> str:
    """The text for a line on a screen: what would steer the terminal is shown as ``\ufffd``,
    ``but`` for these signs."""
    if text.isprintable():
        return text
    return "".join(
        "\ufffd" if unicodedata.category(c) in STEERING and c not in but else c for c in text
    )


def one_line(text: str) -> str:
    """A text of a file as one line for a person, which nothing in it ends or steers."""
    return shortened(printable(" ".join(text.split())))


def error_line(error: BaseException) -> str:
    """An error as one line for a person: one of the system by its file, and without its number."""
    words = str(error)
    if isinstance(error, OSError) and error.strerror:
        file = "" if error.filename is None else f"{error.filename}: "
        words = f"{file}{error.strerror}"
    if isinstance(error, UnicodeEncodeError):
        letter = ascii(error.object[error.start])
        words = f"a name or a word has a letter that is no UTF-8 text ({letter}): change it"
    return " ".join(words.split()) or type(error).__name__


def shortened(line: str) -> str:
    """The line with its long words cut in the middle, and itself at its end, with how long they
    were."""
    if len(line) <= LONGEST_WORD:
        return line
    line = re.sub(rf"[^\s,;]{{{LONGEST_WORD + 1},}}", _cut, line)
    if len(line) <= LONGEST_LINE:
        return line
    return f"{line[:LONGEST_LINE]}… ({len(line):,} characters)"


def _cut(word: re.Match[str]) -> str:
    text = word.group()
    return f"{text[:_HEAD]}…{text[-_TAIL:]} ({len(text):,} characters)"
