"""Pages as a printed test bulletin: nothing alone, nothing cut, numbered as in the web page."""

from __future__ import annotations

import io
import re
from typing import Final

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.ft2font import FT2Font

from recorder.report.pages.document import (
    Block,
    Chart,
    Document,
    Drawing,
    Heading,
    Signatures,
    Text,
    TextTable,
    TitleBlock,
    VerdictBlock,
)
from recorder.report.pages.numbering import numbers_of
from recorder.report.pages.rendering import to_pdf
from recorder.report.pages.typeface import FOLDER
from recorder.report.pages.web_page import to_html

A4_PT: Final = 595.3
MARGIN_PT: Final = 18.0 / 25.4 * 72.0
BLUE: Final = b"0.2 0.4 0.6"
"""The ink of the drawing, as a page asks for it."""
SVG: Final = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="400" height="180" viewBox="0 0 400 180">'
    b'<rect width="400" height="180" fill="#336699"/></svg>'
)
LONG: Final = "Oberlokomotivbetriebswerksvorstandsstellvertreter" * 3


def laid_out(blocks: list[Block]) -> pypdf.PdfReader:
    """A document of some blocks, read back."""
    document = Document(title="Trial", subtitle="of a day", blocks=blocks, number="T-1")
    return pypdf.PdfReader(io.BytesIO(to_pdf(document)))


def words_of(pdf: pypdf.PdfReader) -> list[str]:
    """The words of each page."""
    return [page.extract_text() for page in pdf.pages]


def filling(lines: int) -> list[Block]:
    return [Text(f"Line {i}.") for i in range(lines)]


ABOUT_A_PAGE: Final = [
    *((lines, 14) for lines in range(20, 50)),
    *((0, rows) for rows in range(36, 70)),
    *((40, rows) for rows in range(1, 13)),
]
"""Lines before a table, and its rows: every way a page can end in it."""


@pytest.mark.slow
@pytest.mark.parametrize("caption", [True, False])
def test_no_row_no_caption_and_no_heading_is_alone_on_a_page(*, caption: bool) -> None:
    for lines, rows in ABOUT_A_PAGE:
        hold_together(lines, rows, caption=caption)


def hold_together(lines: int, rows: int, *, caption: bool) -> None:
    """Lay out a table after some lines; see that nothing of it is alone."""
    table = TextTable(
        ("first column", "second"),
        tuple((f"row{i}.", "a few words that make the table as wide as they are " * 2)
              for i in range(rows)),
        "About rows." if caption else "",
    )  # fmt: skip
    pages = words_of(laid_out([*filling(lines), Heading("Of rows"), table]))
    on_page = [len(re.findall(r"row\d+\.", page)) for page in pages]
    assert sum(on_page) == rows
    for page, count in zip(pages, on_page, strict=True):
        assert count or "About rows." not in page
        assert count or "Of rows" not in page
        assert count == 0 or "first column" in page
        assert count != 1 or rows == 1
    if rows <= 12:
        assert max(on_page) == rows


@settings(max_examples=10, deadline=None)
@given(lines=st.integers(20, 50))
def test_a_chart_is_on_one_page_with_its_caption(lines: int) -> None:
    chart = Chart("c", Drawing(SVG, notes=("Two marks lie beyond.",)), "Of a day.")
    pdf = laid_out([*filling(lines), Heading("Drawn"), chart])
    (drawn,) = (
        page
        for page in pdf.pages
        if (held := page.get_contents()) is not None and BLUE in held.get_data()
    )
    assert "Figure 1. Of a day. Two marks lie beyond." in drawn.extract_text()
    assert "Drawn" in drawn.extract_text()


def test_a_page_tells_its_number_of_how_many_and_the_report() -> None:
    pages = words_of(laid_out(filling(150)))
    assert len(pages) > 2
    for i, page in enumerate(pages, 1):
        assert f"{i} of {len(pages)}" in page
        assert i == 1 or "Report T-1" in page


def ends_of(pdf: pypdf.PdfReader) -> list[float]:
    """Where every run of text ends, in points from the left edge."""
    cuts = {p.stem: FT2Font(str(p)) for p in FOLDER.glob("*.ttf")}
    found: list[float] = []

    def seen(text: str, cm: list[float], tm: list[float], font: object, size: float) -> None:
        if not text.strip() or not isinstance(font, dict):
            return
        name = str(font["/BaseFont"]).rpartition("+")[2]
        cut = next(c for stem, c in cuts.items() if stem.startswith(name) or name in stem)
        cut.set_size(100.0, 72)
        width = sum(cut.load_char(ord(c)).linearHoriAdvance / 65536 for c in text.strip())
        across = cm[0] * (tm[4]) + cm[4]
        found.append(across + width / 100.0 * size * abs(cm[0]))

    for page in pdf.pages:
        page.extract_text(visitor_text=seen)
    return found


HOSTILE: Final[list[Block]] = [
    TitleBlock((("Crew", LONG), (LONG, "short"), ("Line", "Vellumbrook"))),
    VerdictBlock(LONG, LONG),
    Heading(LONG),
    Text(LONG),
    Text(LONG, "caution"),
    TextTable((LONG, "kN"), ((LONG, "−1.2"), ("a", LONG)), LONG),
    TextTable(
        tuple(f"equivalent pull {i}, kN" for i in range(12)),
        (("−12 345.6 ± 123.4",) * 12,) * 3,
        "Wide.",
    ),
    Signatures((LONG, "For the railway")),
]


@pytest.mark.parametrize("block", HOSTILE, ids=lambda b: type(b).__name__)
def test_nothing_runs_out_of_the_page(block: Block) -> None:
    ends = ends_of(laid_out([block]))
    assert ends
    assert max(ends) <= A4_PT - MARGIN_PT + 1.0


def test_a_long_table_is_whole_and_an_empty_one_says_so() -> None:
    rows = tuple((f"row{i}.", f"{i}") for i in range(500))
    pages = words_of(laid_out([TextTable(("a", "b"), rows, "Many.")]))
    assert re.findall(r"row(\d+)\.", " ".join(pages)) == [str(i) for i in range(500)]
    (page,) = words_of(laid_out([TextTable(("a", "b"), (), "Empty.")]))
    assert "none" in page
    assert "none" in to_html(Document(title="", subtitle="", blocks=[TextTable(("a",), ())]))


def test_a_form_has_room_to_sign() -> None:
    (page,) = words_of(laid_out([Signatures(("Chief of the car", "For the railway"))]))
    for word in ("Chief of the car", "For the railway", "name", "signature", "date"):
        assert word in page


BLOCKS: Final[list[Block]] = [
    TextTable(("a",), (("1",), ("2",)), "First."),
    Heading("Part"),
    TextTable(("a",), (("1",),)),
    Heading("Inner", 2),
    Chart("c", Drawing(SVG), "Drawn."),
    Heading("Inner again", 2),
    Heading("Next"),
    Heading("Its inner", 2),
    TextTable(("a",), (("1",),), "Second."),
    Chart("d", Drawing(SVG), "Drawn again."),
]


def test_parts_tables_and_figures_are_numbered_in_order() -> None:
    assert numbers_of(BLOCKS) == [
        "Table 1", "1", "", "1.1", "Figure 1", "1.2", "2", "2.1", "Table 2", "Figure 2",
    ]  # fmt: skip


def test_paper_and_web_page_have_the_same_content_order_and_numbers() -> None:
    document = Document(title="Trial", subtitle="", blocks=BLOCKS)
    web = to_html(document)
    main = re.sub(r"<[^>]+>", "", web[web.index("<main>") : web.index("</main>")])
    paper = " ".join(words_of(laid_out(BLOCKS)))
    told = [
        "Table 1. First.", "1 Part", "1.1 Inner", "Figure 1. Drawn.", "1.2 Inner again",
        "2 Next", "2.1 Its inner", "Table 2. Second.", "Figure 2. Drawn again.",
    ]  # fmt: skip
    for text in (main, paper):
        flat = " ".join(text.split())
        places = [flat.index(words) for words in told]
        assert places == sorted(places)
