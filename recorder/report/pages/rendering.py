"""Documents to PDF (typst) and to one self-contained HTML file."""

from __future__ import annotations

import base64
import html
import json
import re
import shutil
import tempfile
from pathlib import Path
from typing import Any

import typst

from recorder.report.pages.document import (
    Block,
    Chart,
    Document,
    Heading,
    Signatures,
    Text,
    TextTable,
    TitleBlock,
)
from recorder.report.pages.typeface import FOLDER, fonts_for

__all__ = ["compile_typst", "to_html", "to_pdf"]

_HERE = Path(__file__).parent


def to_pdf(document: Document) -> bytes:
    """Lay a document out on A4 pages."""
    files = {"main.typ": (_HERE / "document.typ").read_bytes()}
    blocks = []
    for block in document.blocks:
        data = _block(block)
        if isinstance(block, Chart):
            files[f"{block.name}.svg"] = block.drawing.svg
        blocks.append(data)
    data = {
        "title": document.title,
        "subtitle": document.subtitle,
        "footer": document.footer,
        "blocks": blocks,
    }
    files["data.json"] = json.dumps(data, ensure_ascii=False).encode()
    return compile_typst(files)


def compile_typst(files: dict[str, bytes]) -> bytes:
    """Compile ``main.typ`` among some files, in the typeface of the papers: the same everywhere.

    Other fonts stand in for letters of those files that the typeface lacks.
    """
    text = "".join(sorted({c for held in files.values() for c in held.decode("utf-8")}))
    with tempfile.TemporaryDirectory(prefix="testcar-pages-") as folder:
        root = Path(folder)
        for name, content in files.items():
            (root / name).write_bytes(content)
        for i, font in enumerate(fonts_for(text)):
            shutil.copyfile(font, root / f"font{i}{font.suffix}")
        return bytes(
            typst.compile(
                str(root / "main.typ"), root=str(root), font_paths=[str(FOLDER), str(root)],
                ignore_system_fonts=True,
            )
        )  # fmt: skip


def _block(block: Block) -> dict[str, Any]:
    if isinstance(block, Heading):
        return {
            "kind": "heading",
            "text": block.text,
            "level": block.level,
            "page": block.new_page,
        }
    if isinstance(block, TitleBlock):
        return {"kind": "title", "rows": [list(row) for row in block.rows]}
    if isinstance(block, Signatures):
        return {"kind": "signatures", "lines": list(block.lines)}
    if isinstance(block, Text):
        return {"kind": "text", "text": block.text, "role": block.role}
    if isinstance(block, TextTable):
        return {
            "kind": "table",
            "columns": list(block.columns),
            "rows": [list(r) for r in block.rows],
            "caption": block.caption,
            "right": [_numeric(block, i) for i in range(len(block.columns))],
        }
    if isinstance(block, Chart):
        return {"kind": "chart", "file": f"{block.name}.svg", "caption": block.caption}
    return {"kind": "answer", "verdict": block.verdict, "detail": block.detail}


def _numeric(table: TextTable, column: int) -> bool:
    cells = [row[column] for row in table.rows if row[column].strip() not in {"", "—"}]
    return bool(cells) and all(c.lstrip("−+ ")[:1].isdigit() for c in cells)


def to_html(document: Document) -> str:
    """One file: styles, script and charts inside; charts zoom by wheel, buttons or keys."""
    body = "\n".join(_html(block) for block in document.blocks)
    page = (_HERE / "document.html").read_text(encoding="utf-8")
    parts = {
        "title": html.escape(document.title),
        "subtitle": html.escape(document.subtitle),
        "footer": html.escape(document.footer),
        "body": body,
    }
    for key, value in parts.items():
        page = page.replace("{{" + key + "}}", value)
    return page


def _html(block: Block) -> str:
    if isinstance(block, Heading):
        level = min(block.level + 1, 6)
        return f"<h{level}>{html.escape(block.text)}</h{level}>"
    if isinstance(block, Text) and block.role == "code":
        return f"<pre>{html.escape(block.text)}</pre>"
    if isinstance(block, Text):
        return f'<p class="{html.escape(block.role)}">{html.escape(block.text)}</p>'
    if isinstance(block, TextTable):
        return _html_table(block)
    if isinstance(block, TitleBlock | Signatures):
        return _html_form(block)
    if isinstance(block, Chart):
        return (
            f'<figure class="chart" tabindex="0" aria-label="{html.escape(block.caption)}">'
            f"{_inline(block)}<figcaption>{html.escape(block.caption)}</figcaption></figure>"
        )
    return (
        f'<section class="answer"><strong>{html.escape(block.verdict)}</strong>'
        f"<span>{html.escape(block.detail)}</span></section>"
    )


def _html_form(block: TitleBlock | Signatures) -> str:
    """The title block, or the places for signatures."""
    if isinstance(block, TitleBlock):
        pairs, kind = block.rows, "title"
    else:
        pairs, kind = tuple((line, "") for line in block.lines), "signatures"
    rows = "".join(
        f"<div><dt>{html.escape(label)}</dt><dd>{html.escape(words)}</dd></div>"
        for label, words in pairs
    )
    return f'<dl class="{kind}">{rows}</dl>'


def _html_table(block: TextTable) -> str:
    right = [_numeric(block, i) for i in range(len(block.columns))]
    mark = ['class="n"' if r else "" for r in right]
    head = "".join(
        f'<th scope="col" {m}>{html.escape(c)}</th>'
        for c, m in zip(block.columns, mark, strict=True)
    )
    rows = "\n".join(
        "<tr>"
        + "".join(f"<td {m}>{html.escape(c)}</td>" for c, m in zip(row, mark, strict=True))
        + "</tr>"
        for row in block.rows
    )
    caption = f"<caption>{html.escape(block.caption)}</caption>" if block.caption else ""
    return (
        f'<div class="scroll"><table>{caption}<thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _inline(chart: Chart) -> str:
    """The SVG itself; identifiers made unique so that charts do not share clip paths."""
    text = chart.drawing.svg.decode("utf-8")
    start = text.find("<svg")
    if start < 0:
        data = base64.b64encode(chart.drawing.svg).decode()
        return f'<img alt="" src="data:image/svg+xml;base64,{data}">'
    prefix = re.sub(r"[^a-z0-9]", "", chart.name.lower()) + "-"
    text = text[start:]
    text = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}\1"', text)
    text = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'\1="#{prefix}\2"', text)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}\1)", text)
