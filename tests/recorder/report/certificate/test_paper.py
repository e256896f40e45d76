"""The layout that all certificates share."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.ft2font import FT2Font

from recorder.report.certificate.fonts import fonts_for, without_font
from recorder.report.certificate.paper import Paper, Part, Section, Table, Words, to_pdf
from tests.recorder.report.certificate.made_paper import pages_of, text_of


def paper(*parts: Part) -> bytes:
    return to_pdf(Paper(title="T", subtitle="S", number="N", digest="d", parts=parts))


@pytest.mark.slow
@pytest.mark.parametrize("caption", ["", "caption of it"])
def test_no_row_and_no_heading_is_alone_on_a_page(caption: str) -> None:
    """Through every number of rows about a page's length."""
    for n in (*range(1, 4), *range(20, 26), *range(34, 60)):
        rows = [(f"row{i}.", "words") for i in range(n)]
        pages = pages_of(
            paper(
                *[Words("filling")] * 8,
                Section("head"),
                Table(("column one", "column two"), rows, caption),
            )
        )
        on_page = [len(re.findall(r"row\d+\.", page)) for page in pages]
        assert sum(on_page) == n
        for page, count in zip(pages, on_page, strict=True):
            assert count or "head" not in page
            assert count == 0 or "column one" in page
            assert count != 1 or n == 1


def test_scripts_beside_latin_print() -> None:
    words = "Лаборатория Μέτρηση Žofie Łukasz"
    assert words in text_of(paper(Words(words)))


@given(
    st.text(st.characters(min_codepoint=0x20, max_codepoint=0x2FFFF, codec="utf-8"), max_size=5)
)
def test_a_letter_has_a_font_or_is_told(text: str) -> None:
    have = {code for font in fonts_for(text) for code in FT2Font(str(font)).get_charmap()}
    missing = without_font(text)
    for letter in text:
        # The layout's own fonts have all below.
        assert ord(letter) <= 0x24F or (ord(letter) in have) != (letter in missing)


def test_a_word_longer_than_the_page_is_broken() -> None:
    long = "x" * 400
    assert long in text_of(paper(Words(long))).replace(" ", "")
