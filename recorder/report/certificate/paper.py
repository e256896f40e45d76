"""A certificate on paper as plain parts; one layout serves every kind of certificate."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from recorder.report.pages.printable import numeric, printable
from recorder.report.pages.rendering import compile_typst

__all__ = [
    "Facts",
    "Paper",
    "Part",
    "Picture",
    "Points",
    "Section",
    "Signatures",
    "Table",
    "Words",
    "to_pdf",
]

_LAYOUT: Final = Path(__file__).with_name("certificate.typ")
_NARROW: Final = 54
"""Letters of the widest cells of all columns together that half a page holds."""


@dataclass(frozen=True, slots=True)
class Section:
    """A heading; level 1 is numbered."""

    title: str
    level: int = 1
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Stated facts, each with its name; one without a value is left out."""

    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Table:
    """A table of texts: columns of numbers are set to the right, heads repeat on every page."""

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    caption: str = ""
    wide: frozenset[int] = frozenset()
    """Columns of running words, which share the width that the others leave."""
    small: bool = False
    halves: bool = False
    """Set in two halves side by side where its cells are short."""


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    role: str = ""
    """``statement``, ``lead`` and ``formula`` (kept with what follows), ``small`` or nothing."""


@dataclass(frozen=True, slots=True)
class Points:
    """A list."""

    items: Sequence[str]


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG chart with its caption."""

    name: str
    svg: bytes = field(repr=False)
    caption: str = ""
    floats: bool = False
    """Whether text that follows may fill the page before it."""


@dataclass(frozen=True, slots=True)
class Signatures:
    """Who signs: what for, name, and role in the laboratory (empty where not stated)."""

    people: Sequence[tuple[str, str, str]]


Part = Section | Facts | Table | Words | Points | Picture | Signatures


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A whole certificate on paper."""

    title: str
    subtitle: str
    number: str
    digest: str
    issuer: str = ""
    """The laboratory; empty where not stated."""
    issuer_lines: Sequence[str] = ()
    """Its address, and what else stands below its name."""
    parts: Sequence[Part] = ()


def to_pdf(paper: Paper) -> bytes:
    """Lay it out on A4 pages, each with number, laboratory, and page x of y."""
    pictures = [part for part in paper.parts if isinstance(part, Picture)]
    text = json.dumps(_data(paper), ensure_ascii=False)
    files = {
        "main.typ": _LAYOUT.read_bytes(),
        "data.json": text.encode("utf-8"),
        **{f"{picture.name}.svg": picture.svg for picture in pictures},
    }
    return compile_typst(files)


def _data(paper: Paper) -> dict[str, Any]:
    return {
        "title": printable(paper.title),
        "subtitle": printable(paper.subtitle),
        "number": printable(paper.number),
        "digest": paper.digest,
        "issuer": printable(paper.issuer),
        "issuer_lines": [printable(line) for line in paper.issuer_lines if line],
        "parts": [_part(part) for part in paper.parts],
    }


def _part(part: Part) -> dict[str, Any]:
    if isinstance(part, Section):
        return {"kind": "section", "title": printable(part.title), "level": part.level,
                "page": part.new_page}  # fmt: skip
    if isinstance(part, Facts):
        rows = [
            [printable(name), printable(value)] for name, value in part.rows if value.strip()
        ]
        return {"kind": "facts", "rows": rows}
    if isinstance(part, Table):
        return _table(part)
    if isinstance(part, Words):
        return {"kind": "words", "text": printable(part.text), "role": part.role}
    if isinstance(part, Points):
        return {"kind": "points", "items": [printable(item) for item in part.items]}
    if isinstance(part, Picture):
        return {"kind": "picture", "file": f"{part.name}.svg",
                "caption": printable(part.caption), "floats": part.floats}  # fmt: skip
    people = [[printable(word) for word in person] for person in part.people]
    return {"kind": "signatures", "people": people}


def _table(table: Table) -> dict[str, Any]:
    return {
        "kind": "table",
        "columns": [printable(column) for column in table.columns],
        "rows": [[printable(cell) for cell in row] for row in table.rows],
        "caption": printable(table.caption),
        "wide": [i in table.wide for i in range(len(table.columns))],
        "right": [
            i not in table.wide and numeric([row[i] for row in table.rows])
            for i in range(len(table.columns))
        ],
        "small": table.small,
        "halves": table.halves and _narrow(table),
    }


def _narrow(table: Table) -> bool:
    """Whether half a page holds it: heads may wrap between words, cells may not."""
    widths = [
        max((len(word) for word in column.split()), default=0) for column in table.columns
    ]
    cells = [max((len(row[i]) for row in table.rows), default=0) for i in range(len(widths))]
    return sum(map(max, widths, cells)) <= _NARROW
