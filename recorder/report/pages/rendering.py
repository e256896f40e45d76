"""Documents and papers to PDF: typst lays out what stands in plain data."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

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
from recorder.report.pages.numbering import numbers_of
from recorder.report.pages.printable import numeric, printable
from recorder.report.pages.typeface import FOLDER, fonts_for, without_font

__all__ = ["compile_typst", "to_pdf"]

_LAYOUT: Final = Path(__file__).with_name("document.typ")
_NO_BREAK: Final = "\u00a0"


def to_pdf(document: Document) -> bytes:
    """Lay a document out on A4 pages."""
    numbers = numbers_of(document.blocks)
    files = {
        f"chart{i}.svg": block.drawing.svg
        for i, block in enumerate(document.blocks)
        if isinstance(block, Chart)
    }
    data: dict[str, Any] = {
        "title": printable(document.title),
        "subtitle": printable(document.subtitle),
        "footer": printable(document.footer),
        "number": printable(document.number),
        "blocks": [
            {"number": number, **_block(block, f"chart{i}.svg")}
            for i, (block, number) in enumerate(zip(document.blocks, numbers, strict=True))
        ],
    }
    files["main.typ"] = _LAYOUT.read_bytes()
    if told := _unprinted(json.dumps(data, ensure_ascii=False)):
        data["blocks"].append({"number": "", **_block(Text(told, "small"), "")})
    files["data.json"] = json.dumps(data, ensure_ascii=False).encode()
    return compile_typst(files)


def _unprinted(text: str) -> str:
    """That some letters show as boxes; nothing where every letter has a shape."""
    letters = without_font(text)
    if not letters:
        return ""
    return (
        "Letters without a shape in any font of the machine that printed this:"
        f" {len(letters)}. Boxes stand for them; the file holds what was written."
    )


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


def _block(block: Block, file: str) -> dict[str, Any]:
    if isinstance(block, Heading):
        words = printable(block.text)
        return {"kind": "heading", "text": words, "level": block.level, "page": block.new_page}
    if isinstance(block, Text):
        return {"kind": "text", "text": printable(block.text), "role": block.role}
    if isinstance(block, TitleBlock):
        return {"kind": "title", "rows": _printable(block.rows)}
    if isinstance(block, Signatures):
        return {"kind": "signatures", "lines": [printable(line) for line in block.lines]}
    if isinstance(block, TextTable):
        return {"kind": "table", **_table(block)}
    if isinstance(block, Chart):
        return {"kind": "chart", "file": file, "caption": printable(block.words)}
    return {
        "kind": "answer",
        "verdict": printable(block.verdict),
        "detail": printable(block.detail),
    }


def _table(block: TextTable) -> dict[str, Any]:
    columns = range(len(block.columns))
    right = [numeric([row[i] for row in block.rows]) for i in columns]
    # The more columns, the narrower each: a long word must break the sooner.
    longest = max(8, min(24, 110 // max(len(block.columns), 1)))
    return {
        # The unit under its quantity: a column is no wider than what stands in it.
        "columns": [printable(c.replace(", ", ",\n", 1), longest) for c in block.columns],
        "rows": [
            [
                c.replace(" ", _NO_BREAK) if r else printable(c, longest)
                for c, r in zip(row, right, strict=True)
            ]
            for row in block.rows
        ],
        "caption": printable(block.caption),
        "right": right,
    }


def _printable(rows: Sequence[tuple[str, ...]]) -> list[list[str]]:
    return [[printable(cell) for cell in row] for row in rows]
