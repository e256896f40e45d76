"""The typeface of everything on paper: where it lies, and how pages, charts and the web get it.

Gentium Book Plus, under the SIL Open Font License (its text is in ``.licenses/``), unmodified.
It holds Latin, Greek, Cyrillic and the signs of the trade. For a letter that it lacks another
font stands in: first the one that comes with the charts' library, then those of this machine.
"""

from __future__ import annotations

import base64
import struct
import zlib
from functools import lru_cache
from pathlib import Path
from typing import Final

import matplotlib as mpl
from matplotlib.ft2font import FT2Font

__all__ = ["FAMILY", "FOLDER", "chart_families", "fonts_for", "web_font", "without_font"]

FAMILY: Final = "Gentium Book Plus"
FOLDER: Final = Path(__file__).parent / "fonts"
"""Its files; nothing else is in it."""

_CUTS: Final = {
    "Regular": "font-weight:400;font-style:normal",
    "Italic": "font-weight:400;font-style:italic",
    "Bold": "font-weight:700;font-style:normal",
}
_FILES: Final = tuple(FOLDER / f"GentiumBookPlus-{cut}.ttf" for cut in _CUTS)
_SECOND: Final = Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
"""Comes with the charts' library, the same everywhere: Arabic, Hebrew, signs and more."""


def fonts_for(text: str) -> tuple[Path, ...]:
    """Font files beside the typeface itself that this text needs; mostly none."""
    lacking = _uncovered(text)
    if not lacking:
        return ()
    return (_SECOND, *_system_fonts(lacking - _letters(_SECOND))[0])


def without_font(text: str) -> str:
    """The letters of a text for which neither the shipped fonts nor this machine's have a shape."""
    lacking = _uncovered(text)
    if not lacking:
        return ""
    return "".join(sorted(chr(c) for c in _system_fonts(lacking - _letters(_SECOND))[1]))


def chart_families(text: str = "") -> list[str]:
    """Families for the charts' library, which is told of their files; best first."""
    # The font manager is slow to import, and papers without a chart do not need it.
    from matplotlib.font_manager import fontManager

    known = {entry.fname for entry in fontManager.ttflist}
    names = [FAMILY]
    for path in (*_FILES, *fonts_for(text)):
        if str(path) not in known:
            fontManager.addfont(path)
        name = FT2Font(str(path)).family_name
        names += [name] * (name not in names)
    return names


@lru_cache(maxsize=1)
def web_font() -> str:
    """Style rules that carry the typeface itself: the page needs no network."""
    return "\n".join(
        f'@font-face{{font-family:"{FAMILY}";{cut};src:url(data:font/woff;base64,'
        f'{base64.b64encode(_woff(path.read_bytes())).decode()}) format("woff")}}'
        for path, cut in zip(_FILES, _CUTS.values(), strict=True)
    )


def _woff(font: bytes) -> bytes:
    """The same tables, each compressed (WOFF 1.0, W3C Recommendation, 2012, section 4)."""
    flavour, tables = struct.unpack_from(">4sH", font)
    entries, body = b"", b""
    start = 44 + 20 * tables
    for i in range(tables):
        tag, checksum, offset, length = struct.unpack_from(">4sLLL", font, 12 + 16 * i)
        held = font[offset : offset + length]
        packed = zlib.compress(held, 9)
        packed = packed if len(packed) < length else held
        entries += struct.pack(">4sLLLL", tag, start + len(body), len(packed), length, checksum)
        body += packed + bytes(-len(packed) % 4)
    head = struct.pack(
        ">4s4sLHHLHHLLLLL", b"wOFF", flavour, start + len(body), tables, 0, len(font),
        1, 0, 0, 0, 0, 0, 0,
    )  # fmt: skip
    return head + entries + body


def _uncovered(text: str) -> frozenset[int]:
    return frozenset(ord(c) for c in text if not _controls(ord(c))) - _letters(_FILES[0])


def _controls(code: int) -> bool:
    """Whether a sign has no shape in any font."""
    return code < 0x20 or 0x7F <= code < 0xA0


@lru_cache(maxsize=8)
def _system_fonts(codes: frozenset[int]) -> tuple[tuple[Path, ...], frozenset[int]]:
    """The fewest fonts found that cover the codes, and the codes that none has."""
    found: list[Path] = []
    if codes:
        # As above; and few texts need the fonts of the machine.
        from matplotlib.font_manager import findSystemFonts

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
