"""Documents laid out on pages."""

from __future__ import annotations

import io

import pypdf
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.report.pages.document import Block, Document, Text, TextTable
from recorder.report.pages.rendering import to_html, to_pdf

NOTICE = Text("No authority to move a train.", "caution foot")


def pages(document: Document) -> list[str]:
    """The text of every page."""
    return [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(to_pdf(document))).pages]


@settings(max_examples=8, deadline=None)
@given(lines=st.integers(0, 120))
def test_the_caution_is_on_the_first_page_once(lines: int) -> None:
    blocks = [*(Text(f"Line {i}.") for i in range(lines)), NOTICE]
    found = pages(Document(title="A day", subtitle="of trials", blocks=blocks))
    assert NOTICE.text in found[0]
    assert sum(page.count(NOTICE.text) for page in found) == 1


def test_other_cautions_stand_where_they_were_said() -> None:
    blocks = [Text("One."), Text("Counts only.", "caution"), Text("Two."), NOTICE]
    (page,) = pages(Document(title="A day", subtitle="of trials", blocks=blocks))
    places = [page.index(words) for words in ("One.", "Counts only.", "Two.", NOTICE.text)]
    assert places == sorted(places)


@settings(max_examples=12, deadline=None)
@given(lines=st.integers(25, 45))
def test_a_caption_above_its_table_is_on_the_page_of_its_rows(lines: int) -> None:
    table = TextTable(("what", "found"), tuple((f"row {i}", "—") for i in range(6)), "Of rows.")
    blocks: list[Block] = [*(Text(f"Line {i}.") for i in range(lines)), table]
    found = pages(Document(title="A day", subtitle="of trials", blocks=blocks))
    (held,) = [page for page in found if "Of rows." in page]
    assert "row 0" in held


def test_a_web_page_has_both_kinds_in_their_place() -> None:
    text = to_html(Document(title="A day", subtitle="of trials", blocks=[NOTICE, Text("Two.")]))
    assert f'<p class="caution foot">{NOTICE.text}</p>' in text
