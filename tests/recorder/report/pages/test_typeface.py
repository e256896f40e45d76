"""One typeface: the signs it must hold, the files it lies in, and what stands in for it."""

from __future__ import annotations

import base64
import io
import re
import struct
import zlib
from pathlib import Path

import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.ft2font import FT2Font

from recorder.report.pages.document import Block, Document, Heading, Text, TextTable
from recorder.report.pages.rendering import to_pdf
from recorder.report.pages.typeface import (
    FAMILY,
    FOLDER,
    chart_families,
    fonts_for,
    web_font,
    without_font,
)
from tests.recorder.report.fonts_of_pdf import families

CUTS = sorted(FOLDER.glob("*.ttf"))
SIGNS = "±−·×²³≤≥°Δαβγλμσφ√∞≈≠→←↑↓–—…„“”‘’½‰µΩ₀₁₂№§"
LETTERS = "Žofie Łukasz Őry Müller Ångström Đorđe Țepeș Иванова Щукин Ђорђе Ελένη"


@pytest.mark.parametrize("path", CUTS, ids=lambda p: p.stem)
def test_every_cut_holds_the_signs_of_the_trade(path: Path) -> None:
    held = FT2Font(str(path)).get_charmap()
    assert not [c for c in SIGNS + LETTERS if ord(c) not in held]
    assert not [chr(c) for c in (*range(0x20, 0x7F), *range(0xA0, 0x149)) if c not in held]


@pytest.mark.parametrize("path", CUTS, ids=lambda p: p.stem)
def test_its_figures_are_of_one_width_and_one_height(path: Path) -> None:
    """Columns of numbers stand under one another (tabular), on the line (lining)."""
    font = FT2Font(str(path))
    drawn = [font.load_char(ord(c)) for c in "0123456789"]
    assert len({glyph.horiAdvance for glyph in drawn}) == 1
    assert max(g.height for g in drawn) < 1.1 * min(g.height for g in drawn)
    assert min(g.bbox[1] for g in drawn) > -0.05 * drawn[0].height


def test_there_are_a_regular_an_italic_and_a_bold_of_one_family() -> None:
    cuts = {FT2Font(str(path)).style_name for path in CUTS}
    assert cuts == {"Regular", "Italic", "Bold"}
    assert {FT2Font(str(path)).family_name for path in CUTS} == {FAMILY}
    assert sum(path.stat().st_size for path in CUTS) < 4_000_000


def test_a_document_is_set_in_it_and_in_nothing_else() -> None:
    words = SIGNS + " " + LETTERS
    blocks: list[Block] = [
        Heading(words),
        *(Text(words, role) for role in ("", "caution", "caution foot", "small", "code")),
        TextTable((words, "kN"), ((words, "−1.2"), (words, "±"), ("—", "3")), words),
    ]
    pdf = to_pdf(Document(title=words, subtitle=words, blocks=blocks, footer=words))
    found = families(pdf)
    assert found
    assert all(name.startswith("GentiumBookPlus") for name in found), found


def test_nothing_beside_it_is_needed_for_what_it_holds() -> None:
    assert fonts_for(SIGNS + LETTERS) == ()
    assert chart_families(SIGNS + LETTERS) == [FAMILY]


def test_another_font_stands_in_for_a_letter_that_it_lacks() -> None:
    letters = "عربي"
    assert not set(map(ord, letters)) <= FT2Font(str(CUTS[0])).get_charmap().keys()
    stand_in = fonts_for(letters)
    assert stand_in
    assert chart_families(letters)[0] == FAMILY
    assert len(chart_families(letters)) > 1
    pdf = to_pdf(Document(title=letters, subtitle="", blocks=[Text(letters)]))
    assert any("DejaVu" in name for name in families(pdf))


@given(
    st.text(st.characters(min_codepoint=0x20, max_codepoint=0x2FFFF, codec="utf-8"), max_size=5)
)
def test_a_letter_has_a_font_or_is_told(text: str) -> None:
    fonts = (CUTS[0], *fonts_for(text))
    have = {code for font in fonts for code in FT2Font(str(font)).get_charmap()}
    missing = without_font(text)
    for letter in text:
        # Control signs have no shape, and none is told of them.
        control = 0x7F <= ord(letter) < 0xA0
        assert control or (ord(letter) in have) != (letter in missing)


def test_a_document_tells_of_letters_that_it_cannot_print() -> None:
    lacking = [c for c in map(chr, range(0x1D800, 0x1DA00)) if without_font(c)]
    if not lacking:
        pytest.skip("this machine has a font for every letter tried")

    def printed(words: str) -> str:
        pdf = to_pdf(Document(title="Trial", subtitle="", blocks=[Text(words)]))
        return " ".join(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())

    assert "any font of the machine that printed this: 1." in printed(f"crew: {lacking[0]}")
    assert "any font" not in printed(f"crew: {LETTERS}")


def test_the_web_page_carries_the_very_same_tables() -> None:
    """Opened again after the Recommendation's own layout of its head and directory."""
    files = re.findall(r"base64,([^)]+)\)", web_font())
    originals = {path.read_bytes() for path in CUTS}
    assert len(files) == len(originals)
    for packed in map(base64.b64decode, files):
        signature, _, length, tables, _, whole = struct.unpack_from(">4s4sLHHL", packed)
        assert (signature, length) == (b"wOFF", len(packed))
        (original,) = (held for held in originals if len(held) == whole)
        for i in range(tables):
            tag, at, n, size, _ = struct.unpack_from(">4sLLLL", packed, 44 + 20 * i)
            held = packed[at : at + n]
            table = held if n == size else zlib.decompress(held)
            row = original.index(tag, 12, 12 + 16 * tables)
            _, _, offset, long = struct.unpack_from(">4sLLL", original, row)
            assert table == original[offset : offset + long]
