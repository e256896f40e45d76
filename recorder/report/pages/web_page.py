"""Documents to one self-contained HTML file: the content, order and numbers of the PDF.

Typeface, charts and the figures behind them are inside; it opens from the file system, without a
network. A row that is about an instant of a run leads to the run's chart, with a cursor there.
"""

from __future__ import annotations

import base64
import html
import json
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from recorder.report.pages.document import (
    Block,
    Chart,
    Document,
    Heading,
    RunPlace,
    Signatures,
    Text,
    TextTable,
    TitleBlock,
    VerdictBlock,
)
from recorder.report.pages.numbering import numbers_of
from recorder.report.pages.printable import numeric, without_controls
from recorder.report.pages.typeface import FAMILY, web_font

__all__ = ["to_html"]

_PAGE: Final = Path(__file__).with_name("document.html")
_WIDE: Final = 40
"""Letters of a cell from which its column keeps a width to be read at."""
_FIGURES: Final = 5
"""Significant ones of a number behind a chart."""


def to_html(document: Document) -> str:
    """The whole file."""
    numbers = numbers_of(document.blocks)
    charts = {
        block.drawing.axis.run_id: _anchor(number)
        for block, number in zip(document.blocks, numbers, strict=True)
        if isinstance(block, Chart) and block.drawing.axis is not None
    }
    parts = {
        "font": web_font(),
        "family": FAMILY,
        "title": _text(document.title),
        "subtitle": _text(document.subtitle),
        "number": _text(document.number),
        "footer": _text(document.footer),
        "contents": _contents(document.blocks, numbers),
        "body": "\n".join(
            _block(block, number, charts)
            for block, number in zip(document.blocks, numbers, strict=True)
        ),
    }
    # In one go: what stands in a part is never taken for the place of another.
    return re.sub(
        r"\{\{(\w+)\}\}", lambda m: parts[m.group(1)], _PAGE.read_text(encoding="utf-8")
    )


def _text(words: str) -> str:
    """Words as text of the page, with no sign that turns or controls what stands beside them."""
    return html.escape(without_controls(words))


def _anchor(number: str) -> str:
    """``figure-3``, ``section-1.2``."""
    place = number.lower().replace(" ", "-")
    return place if place[:1].isalpha() else f"section-{place}"


def _contents(blocks: Sequence[Block], numbers: Sequence[str]) -> str:
    """Headings of the first two levels, as links."""
    lines = [
        f'<li class="level{block.level}"><a href="#{_anchor(number)}">{number}'
        f" {_text(block.text)}</a></li>"
        for block, number in zip(blocks, numbers, strict=True)
        if isinstance(block, Heading) and block.level <= 2
    ]
    return f'<nav aria-label="Contents"><ol>{"".join(lines)}</ol></nav>' * bool(lines)


def _block(block: Block, number: str, charts: dict[str, str]) -> str:
    if isinstance(block, Heading):
        level = min(max(block.level, 1) + 1, 6)
        return f'<h{level} id="{_anchor(number)}">{number} {_text(block.text)}</h{level}>'
    if isinstance(block, Text) and block.role == "code":
        return f"<pre>{_text(block.text)}</pre>"
    if isinstance(block, Text):
        return f'<p class="{_text(block.role)}">{_text(block.text)}</p>'
    if isinstance(block, TextTable):
        return _table(block, number, charts)
    if isinstance(block, Chart):
        return _chart(block, number)
    if isinstance(block, VerdictBlock):
        return (
            f'<section class="answer"><strong>{_text(block.verdict)}</strong>'
            f"<span>{_text(block.detail)}</span></section>"
        )
    return _form(block)


def _form(block: TitleBlock | Signatures) -> str:
    """The title block, or the places for signatures."""
    if isinstance(block, TitleBlock):
        rows = "".join(
            f"<div><dt>{_text(label)}</dt><dd>{_text(words)}</dd></div>"
            for label, words in block.rows
        )
        return f'<dl class="title">{rows}</dl>'
    heads = "".join(f'<th scope="col">{w}</th>' for w in ("for", "name", "signature", "date"))
    lines = "".join(
        f"<tr><td>{_text(line)}</td><td></td><td></td><td></td></tr>" for line in block.lines
    )
    return (
        f'<div class="scroll"><table class="signatures"><thead><tr>{heads}</tr></thead>'
        f"<tbody>{lines}</tbody></table></div>"
    )


def _table(block: TextTable, number: str, charts: dict[str, str]) -> str:
    right = [numeric([row[i] for row in block.rows]) for i in range(len(block.columns))]
    wide = [any(len(row[i]) > _WIDE for row in block.rows) for i in range(len(right))]
    mark = [' class="n"' if r else ' class="w"' * w for r, w in zip(right, wide, strict=True)]
    head = "".join(
        f'<th scope="col"{m}>{_text(c)}</th>' for c, m in zip(block.columns, mark, strict=True)
    )
    places = block.places or (None,) * len(block.rows)
    rows = "\n".join(
        "<tr>"
        + "".join(
            f"<td{m}>{_link(_text(c), place if i == 0 else None, charts)}</td>"
            for i, (c, m) in enumerate(zip(row, mark, strict=True))
        )
        + "</tr>"
        for row, place in zip(block.rows, places, strict=True)
    )
    rows = rows or f'<tr><td colspan="{len(right)}">none</td></tr>'
    caption = f'<p class="cap">{_caption(number, block.caption)}</p>' * bool(block.caption)
    anchor = f' id="{_anchor(number)}"' if number else ""
    return (
        f'<div class="table"{anchor}>{caption}<div class="scroll"><table><thead><tr>{head}</tr>'
        f"</thead><tbody>{rows}</tbody></table></div></div>"
    )


def _link(shown: str, place: RunPlace | None, charts: dict[str, str]) -> str:
    if place is None or place.run_id not in charts or not math.isfinite(place.t_s):
        return shown
    return (
        f'<a class="go" href="#{charts[place.run_id]}" data-t="{place.t_s:.3f}"'
        f' title="this instant in the chart of the run">{shown or "in the chart"}</a>'
    )


def _caption(number: str, words: str) -> str:
    return f"<b>{number}.</b> {_text(words)}"


def _chart(chart: Chart, number: str) -> str:
    axis = chart.drawing.axis
    along = ""
    if axis is not None:
        numbers = (*axis.t_s, *axis.x)
        along = f' data-axis="{" ".join(f"{v:.3f}" for v in numbers)}"'
    return (
        f'<figure class="chart" id="{_anchor(number)}" tabindex="0"{along}'
        f' aria-label="{_text(number)}"><div class="draw">{_inline(chart, number)}</div>'
        f"<figcaption>{_caption(number, chart.words)}</figcaption>{_data(chart)}</figure>"
    )


def _data(chart: Chart) -> str:
    """The figures behind a chart; the page makes their table when it is asked for."""
    data = chart.drawing.data
    if data is None:
        return ""
    held = {
        "columns": list(data.columns),
        "values": [
            [float(f"{v:.{_FIGURES}g}") if math.isfinite(v) else None for v in column]
            for column in data.values
        ],
    }
    text = json.dumps(held, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
    return (
        "<details><summary>The figures behind this chart</summary>"
        f'<script type="application/json">{text}</script></details>'
    )


def _inline(chart: Chart, number: str) -> str:
    """The SVG itself; identifiers made unique so that charts do not share clip paths."""
    text = chart.drawing.svg.decode("utf-8")
    start = text.find("<svg")
    if start < 0:
        data = base64.b64encode(chart.drawing.svg).decode()
        return f'<img alt="" src="data:image/svg+xml;base64,{data}">'
    prefix = _anchor(number) + "-"
    text = text[start:]
    text = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}\1"', text)
    text = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'\1="#{prefix}\2"', text)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}\1)", text)
