"""Fonts of a certificate: typst's own, and others only for letters that those do not have."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Final

import matplotlib as mpl
from matplotlib.font_manager import findSystemFonts
from matplotlib.ft2font import FT2Font

__all__ = ["fonts_for", "without_font"]

_BUNDLED: Final = Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
"""Comes with the charts' library, the same everywhere: Latin, Greek, Cyrillic, Arabic and more."""


def fonts_for(text: str) -> tuple[Path, ...]:
    """Font files beside typst's own that this text needs; the bundled one always.

    Letters of scripts that no bundled font has (Chinese, Thai and others) are looked for among
    the fonts of this machine.
    """
    return tuple(path for path in (_BUNDLED, *_system_fonts(_uncovered(text))[0]))


def without_font(text: str) -> str:
    """The letters of a text for which neither the bundled fonts nor this machine's have a shape."""
    return "".join(sorted(chr(code) for code in _system_fonts(_uncovered(text))[1]))


def _uncovered(text: str) -> frozenset[int]:
    return frozenset(ord(c) for c in text if ord(c) > 0x24F) - _letters(_BUNDLED)


@lru_cache(maxsize=8)
def _system_fonts(codes: frozenset[int]) -> tuple[tuple[Path, ...], frozenset[int]]:
    """The fewest fonts found that cover the codes, and the codes that none has."""
    found: list[Path] = []
    if codes:
        for path in sorted(findSystemFonts()):
            if have := codes & _letters(Path(path)):
                found.append(Path(path))
                codes -= have
            if not codes:
                break
    return tuple(found), codes


@lru_cache(maxsize=256)
def _letters(path: Path) -> frozenset[int]:
    try:
        return frozenset(FT2Font(str(path)).get_charmap())
    except (RuntimeError, OSError):
        # A font that does not read has no letters for us.
        return frozenset()
