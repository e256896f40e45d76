"""The layout that all certificates share."""

from __future__ import annotations

import re

import pytest

from recorder.report.certificate.paper import Paper, Part, Section, Table, Words, to_pdf
from tests.recorder.report.certificate.made_paper import pages_of, text_of
from tests.recorder.report.fonts_of_pdf import families


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


def test_a_certificate_is_set_in_the_typeface_of_all_papers() -> None:
    pdf = paper(
        Section("Head ± −"), Words("Žofie, Щукин: 1.2 ² · ≤ ≥ Δ °"),
        Table(("a", "b"), [("x", "1")], "caption"),
    )  # fmt: skip
    assert {name.partition("-")[0] for name in families(pdf)} == {"GentiumBookPlus"}


def test_a_word_longer_than_the_page_is_broken() -> None:
    long = "x" * 400
    assert long in text_of(paper(Words(long))).replace(" ", "")
