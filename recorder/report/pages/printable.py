"""Text as it may stand on paper: no control signs, no reversed order, no word that cannot break."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from typing import Final

__all__ = ["numeric", "printable"]

_LONGEST_WORD: Final = 24
_FORMATS: Final = frozenset("\u200b\u200c\u200d\u00ad")
"""Signs without a shape that change no order of the text."""
_MOST_LETTERS: Final = 10
"""In the cell of a number: of its unit."""
_NO_NUMBER: Final = frozenset({"", "—", "–", "not known", "worst", "∞"})


def printable(text: str, longest: int = _LONGEST_WORD) -> str:
    """The text, with places to break in words longer than ``longest``."""
    kept = "".join(
        c
        if unicodedata.category(c) not in {"Cc", "Cf", "Cs", "Co", "Cn"} or c in _FORMATS
        else c
        if c == "\n"
        else " "
        if c in "\r\t"
        else "\ufffd"
        for c in text
    )
    return re.sub(rf"\S{{{longest},}}", _breakable, kept)


def _breakable(match: re.Match[str]) -> str:
    word = match.group()
    return "\u200b".join(word[i : i + 8] for i in range(0, len(word), 8))


def numeric(cells: Sequence[str]) -> bool:
    """Whether a column is one of numbers, and is set to the right."""
    told = [cell for cell in cells if cell.strip() not in _NO_NUMBER]
    return bool(told) and all(
        cell.lstrip("−-+≤<±= ")[:1].isdigit() and sum(map(str.isalpha, cell)) <= _MOST_LETTERS
        for cell in told
    )
