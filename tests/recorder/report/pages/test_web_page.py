"""The web page: whole in itself, and from a row to its instant in the chart of the run."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from typing import Final

from recorder.report.pages.document import (
    Block,
    Chart,
    ChartData,
    Document,
    Drawing,
    Heading,
    RunAxis,
    RunPlace,
    TextTable,
)
from recorder.report.pages.web_page import to_html

SVG: Final = (
    b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 90">'
    b'<defs><clipPath id="p1"><rect width="9" height="9"/></clipPath></defs>'
    b'<path clip-path="url(#p1)" d="M 0 0 L 1 1"/></svg>'
)
HOSTILE: Final = "</script><script>alert(1)</script>"
BLOCKS: Final[list[Block]] = [
    Heading("Results & more"),
    TextTable(
        ("run", "pull, kN"),
        (("A", "1"), ("B", "2"), ("C", "3")),
        "Sections.",
        (RunPlace("of A", 12.5), RunPlace("unknown", 1.0), None),
    ),
    Heading("Runs", 2),
    Chart(
        "a",
        Drawing(
            SVG,
            ChartData(
                ("run time, s", HOSTILE),
                ((0.0, 10.0, 20.0), (1.23456789, -2.0, float("nan"))),
            ),
            RunAxis("of A", (0.0, 20.0), (40.0, 390.0)),
        ),
        "Along run A.",
    ),
    Chart("b", Drawing(SVG), "Another."),
]  # fmt: skip


class Read(HTMLParser):
    """Every element with its attributes, and the figures behind charts."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.data: list[str] = []
        self._in_data = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = {name: value or "" for name, value in attrs}
        self.elements.append((tag, held))
        self._in_data = tag == "script" and held.get("type") == "application/json"

    def handle_data(self, data: str) -> None:
        if self._in_data:
            self.data.append(data)
            self._in_data = False


def read() -> Read:
    page = Read()
    page.feed(to_html(Document(title="Trial", subtitle="", blocks=BLOCKS)))
    return page


def test_every_link_leads_to_a_place_in_the_page() -> None:
    page = read()
    places = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(places) == len(set(places))
    links = [a["href"] for tag, a in page.elements if tag == "a"]
    assert len(links) == 3
    assert all(link.startswith("#") and link[1:] in places for link in links)


def test_a_row_leads_to_its_instant_in_the_chart_of_its_run_and_only_of_its_run() -> None:
    page = read()
    (link,) = (a for tag, a in page.elements if a.get("class") == "go")
    assert float(link["data-t"]) == 12.5
    (figure,) = (a for _, a in page.elements if a.get("id") == link["href"][1:])
    assert list(map(float, figure["data-axis"].split())) == [0.0, 20.0, 40.0, 390.0]


def test_the_figures_behind_a_chart_are_in_the_page() -> None:
    (text,) = read().data
    held = json.loads(text)
    assert held["columns"] == ["run time, s", HOSTILE]
    assert held["values"] == [[0.0, 10.0, 20.0], [1.2346, -2.0, None]]


def test_the_page_asks_nobody_for_anything() -> None:
    page = read()
    asked = {"src", "srcset", "action", "poster", "data"}
    assert not [a for _, a in page.elements if asked & a.keys()]
    assert not [a for tag, a in page.elements if tag in {"link", "iframe", "base", "img"}]
    text = to_html(Document(title="Trial", subtitle="", blocks=BLOCKS))
    assert set(re.findall(r"url\(([a-z]+:|#)", text)) <= {"data:", "#"}
    assert not re.search(r"@import|fetch\(|XMLHttpRequest", text)


def test_what_a_name_holds_never_becomes_part_of_the_page() -> None:
    text = to_html(Document(title="{{body}}", subtitle=HOSTILE, blocks=[Heading("{{font}}")]))
    assert "{{body}}" in text
    assert "{{font}}" in text
    assert "<script>alert" not in text


def test_a_name_turns_nothing_round_on_the_page() -> None:
    """A sign that reverses the order of what follows would show ``0001`` for ``1000``."""
    turned = "crew \u202e0001 kN\u202c \u2067x\u2069 \x1b[31m \x07 \u0645\u062d\u0637\u0629"
    text = to_html(Document(title=turned, subtitle=turned, blocks=[Heading(turned)]))
    assert not re.search(r"[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f]", text)
    assert text.count("\u0645\u062d\u0637\u0629") >= 3


def test_charts_do_not_share_the_names_inside_them() -> None:
    text = to_html(Document(title="", subtitle="", blocks=BLOCKS))
    names = re.findall(r'<clipPath id="([^"]+)"', text)
    assert len(names) == len(set(names)) == 2
    assert all(f"url(#{name})" in text for name in names)
