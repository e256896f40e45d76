"""Documents laid out on pages."""

from __future__ import annotations

import io
import re
from xml.etree import ElementTree as ET

import numpy as np
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.report.pages.chart_style import GREY
from recorder.report.pages.document import Block, Document, Text, TextTable
from recorder.report.pages.rendering import to_pdf
from recorder.report.pages.run_charts import trace_chart
from recorder.report.pages.web_page import to_html

WIDE = 300.0
"""Points, of a chart some 490 wide."""
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


@pytest.mark.parametrize("columns", [1, 4])
def test_a_fingerprint_is_copied_from_the_paper_as_it_is(columns: int) -> None:
    """Whoever compares one pastes it; it may break at the end of a line, and holds no sign more."""
    key = "sha256:" + "0123456789abcdef" * 4
    row = (key, *"abc"[: columns - 1])
    blocks: list[Block] = [
        Text(f"Key {key}."),
        TextTable(tuple(map(str, range(columns))), (row,)),
    ]
    (page,) = pages(Document(title="A day", subtitle="of trials", blocks=blocks))
    assert page.replace("\n", "").count(key) == 2
    assert f"Key {key}." in page, "on a line that has room for it"


def test_a_web_page_has_both_kinds_in_their_place() -> None:
    text = to_html(Document(title="A day", subtitle="of trials", blocks=[NOTICE, Text("Two.")]))
    assert f'<p class="caution foot">{NOTICE.text}</p>' in text


def level_lines(svg: bytes) -> int:
    """Lines of a chart in the ink of heights, of no fill, that are level over most of its width."""
    found = 0
    for path in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}path"):
        numbers = np.array(re.findall(r"-?\d+(?:\.\d+)?", path.get("d", "")), np.float64)
        style = path.get("style", "")
        if len(numbers) and "fill: none" in style and path.get("clip-path"):
            level = np.ptp(numbers[1::2]) == 0.0 and np.ptp(numbers[::2]) > WIDE
            found += bool(level and f"stroke: {GREY}" in style)
    return found


def test_a_level_line_is_a_line() -> None:
    """A band of no height has no outline in a PDF, and cannot be seen."""
    t_s = np.arange(0.0, 60.0, 0.5)
    level, nothing = np.full(len(t_s), 40.3), np.full(len(t_s), np.nan)
    assert level_lines(trace_chart(t_s, [("height, m", level, level)]).svg) == 1
    assert level_lines(trace_chart(t_s, [("height, m", nothing, nothing)]).svg) == 0
