"""Text as it may stand on a line of a screen: nothing in it steers the terminal."""

from __future__ import annotations

import unicodedata
from typing import Final

__all__ = ["printable"]

STEERING: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""Categories of Unicode: control, format (turns the line about), half a pair, ends of lines."""


def printable(text: str, but: str = "") -> str:
    """The text for a line on a screen: what would steer the terminal is shown as ``\ufffd``,
    ``but`` for these signs."""
    if text.isprintable():
        return text
    return "".join(
        "\ufffd" if unicodedata.category(c) in STEERING and c not in but else c for c in text
    )
