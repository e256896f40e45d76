"""Text as it may stand on paper: no control signs, no reversed order, no word that cannot break."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from typing import Final

__all__ = ["numeric", "printable", "without_controls"]

_LONGEST_WORD: Final = 24
_FORMATS: Final = frozenset("\u200b\u200c\u200d\u00ad")
"""Signs without a shape that change no order of the text."""
_MOST_LETTERS: Final = 10
"""In the cell of a number: of its unit."""
_NUMBER: Final = re.compile(r"\d[\d\u2009.,:%°–−-]*([eE][−+-]?\d+)?(\s|$)")
_LONGEST_NUMBER: Final = 28
_NO_NUMBER: Final = frozenset({"", "—", "–", "not known", "worst", "∞"})


def printable(text: str, longest: int = _LONGEST_WORD) -> str:
    """The text without controls, with places to break in words longer than ``longest``."""
    return re.sub(rf"\S{{{longest},}}", _breakable, without_controls(text))


def without_controls(text: str) -> str:
    """The text with a box in place of each control sign and each that reverses the order."""
    return "".join(
        c
        if unicodedata.category(c) not in {"Cc", "Cf", "Cs", "Co", "Cn"} or c in _FORMATS
        else c
        if c == "\n"
        else " "
        if c in "\r\t"
        else "\ufffd"
        for c in text
    )


def _breakable(match: re.Match[str]) -> str:
    word = match.group()
    return "\u200b".join(word[i : i + 8] for i in range(0, len(word), 8))


def numeric(cells: Sequence[str]) -> bool:
    """Whether a column is one of numbers, and is set to the right: most of it are, and a word
    that stands for one is short.
    """
    told = [cell.strip() for cell in cells if cell.strip() not in _NO_NUMBER]
    numbers = [cell for cell in told if _is_number(cell)]
    return 2 * len(numbers) > len(told) and max(map(len, told)) <= _LONGEST_NUMBER


def _is_number(cell: str) -> bool:
    bare = cell.lstrip("−-+≤<±= ")
    letters = sum(map(str.isalpha, bare))
    return bool(_NUMBER.match(bare)) and letters <= _MOST_LETTERS
