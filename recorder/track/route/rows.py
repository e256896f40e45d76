"""Reading the route table: what a spreadsheet saves, into cells with their row number.

Spreadsheets write commas, semicolons or tabs, decimal points or commas, with or without a
byte-order mark. One form per file; a mixture is refused, because ``1,250`` would be a guess.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from dataclasses import dataclass, field
from typing import Final

__all__ = [
    "CellError",
    "Cells",
    "Problems",
    "RouteError",
    "RouteTable",
    "read_chainage",
    "read_number",
    "read_table",
]

MAX_BYTES: Final = 64 * 1024 * 1024
_MAX_LINES_SHOWN: Final = 40
_MOST_COLUMNS: Final = 200

COLUMNS: Final = (
    "chainage_m", "chainage_km", "chainage_ft", "chainage_mi",
    "end_chainage_m", "end_chainage_km", "end_chainage_ft", "end_chainage_mi",
    "kind", "value", "unit", "name", "direction", "definition",
    "degree", "radius_m", "radius_ft",
    "spiral_in_m", "spiral_in_ft", "spiral_out_m", "spiral_out_ft",
    "superelevation_mm", "superelevation_in", "latitude_deg", "longitude_deg", "remark",
)  # fmt: skip
"""Every column the route table may have."""

_TEXT_COLUMNS: Final = frozenset(
    {"kind", "value", "unit", "name", "direction", "definition", "remark"}
)


class CellError(ValueError):
    """A cell, or a row of cells, that does not read; the row's number is told around it."""


class RouteError(ValueError):
    """The route cannot be used. ``lines`` holds one line a problem, with file and row."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = tuple(lines)
        more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
        super().__init__(lines[0] + more)


@dataclass
class Problems:
    """Collects what is wrong while the table is read, so that all of it is told at once."""

    source: str
    errors: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    _dropped: int = 0

    def error(self, row: int, text: str) -> None:
        """Note something that makes the route unusable."""
        self._add(self.errors, row, text)

    def warn(self, row: int, text: str) -> None:
        """Note something the route can go on with."""
        self._add(self.warnings, row, text)

    def _add(self, lines: list[str], row: int, text: str) -> None:
        if len(lines) < _MAX_LINES_SHOWN:
            lines.append(
                f"{self.source}: row {row}: {text}" if row else f"{self.source}: {text}"
            )
        elif len(lines) == _MAX_LINES_SHOWN:
            lines.append(f"{self.source}: more of the same kind, not listed")

    def stop_if_any(self) -> None:
        """Raise :class:`RouteError` when an error was noted."""
        if self.errors:
            raise RouteError(self.errors)


@dataclass(frozen=True, slots=True)
class Cells:
    """One row of the table: stripped texts by column; a missing column reads as empty."""

    row: int
    texts: dict[str, str]

    def __getitem__(self, column: str) -> str:
        return self.texts.get(column, "")


@dataclass(frozen=True, slots=True)
class RouteTable:
    """The rows and how the numbers in them are written."""

    columns: tuple[str, ...]
    rows: list[Cells]
    text: str
    """The whole table, decoded."""


def read_table(data: bytes, problems: Problems) -> RouteTable:
    """Decode and split a route table; comment lines (``#``) and empty rows are left out.

    Raises
    ------
    RouteError
        The file is no such table.
    """
    if len(data) > MAX_BYTES:
        problems.error(
            0, f"{len(data)} bytes are too many for a route table (at most {MAX_BYTES})"
        )
        problems.stop_if_any()
    text = _decode(data, problems)
    lines = [line for line in text.splitlines() if line.strip(' ,;\t"') and line[0] != "#"]
    if lines and re.fullmatch(r"sep=.", lines[0].strip()):
        lines.pop(0)
    if not lines:
        problems.error(0, "is empty; a header row with chainage and kind is needed")
        problems.stop_if_any()
    separator = max(",;\t", key=lines[0].count)
    records = _records(text, separator, problems)
    if not records:
        problems.error(0, "holds nothing that can be read; a header row is needed")
        problems.stop_if_any()
    columns, rows = _with_header(records, problems)
    _check_decimal_signs(rows, separator, problems)
    problems.stop_if_any()
    return RouteTable(columns, rows, text)


def _check_decimal_signs(rows: list[Cells], separator: str, problems: Problems) -> None:
    points: list[tuple[int, str]] = []
    commas: list[tuple[int, str]] = []
    for cells in rows:
        for column, text in cells.texts.items():
            if column in _TEXT_COLUMNS:
                continue
            if re.fullmatch(r"[+-]?\d*\.\d+", text):
                points.append((cells.row, text))
            elif _COMMA.fullmatch(text):
                commas.append((cells.row, text))
    if commas and separator == ",":
        row, text = commas[0]
        problems.error(
            row, f"{text!r} has a decimal comma in a file separated by commas; use semicolons"
        )
    elif commas and points:
        row, text = commas[0]
        other, point = points[0]
        problems.error(
            row, f"{text!r} has a decimal comma but {point!r} in row {other} a decimal point"
        )


def _decode(data: bytes, problems: Problems) -> str:
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    encoding = "utf-16" if wide else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        problems.warn(0, "is not UTF-8; read as Windows-1252, look at the names")
    if "\0" in text:
        problems.error(0, "holds NUL characters: not a text table; save it as CSV")
        problems.stop_if_any()
    return text


def _records(text: str, separator: str, problems: Problems) -> list[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    out: list[tuple[int, list[str]]] = []
    row = 0
    try:
        for row, record in enumerate(reader, start=1):
            cells = [" ".join(cell.split()) for cell in record]
            if any(cells) and not cells[0].startswith("#") and cells[0][:4] != "sep=":
                out.append((row, cells))
    except csv.Error as error:
        problems.error(row + 1, f"cannot be split into cells: {error}")
        problems.stop_if_any()
    return out


def _with_header(
    records: list[tuple[int, list[str]]], problems: Problems
) -> tuple[tuple[str, ...], list[Cells]]:
    header_row, header = records[0]
    if len(header) > _MOST_COLUMNS:
        words = f"{len(header):,} columns; a route table has {_MOST_COLUMNS} at the most"
        problems.error(header_row, words)
        problems.stop_if_any()
    names = [re.sub(r"[\s\-]+", "_", cell.strip().lower()) for cell in header]
    for name in sorted({n for n in names if n and names.count(n) > 1}):
        problems.error(header_row, f"column {name} is there twice")
    for name in names:
        if name and name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, 1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            problems.warn(header_row, f"column {name!r} is not known and is left out{hint}")
    if "kind" not in names:
        problems.error(
            header_row, f"no column kind among {', '.join(n for n in names if n)[:120]}"
        )
    rows = []
    for row, record in records[1:]:
        if len(record) > len(names) and any(record[len(names) :]):
            problems.error(
                row, f"{len(record)} cells under {len(names)} column names; a stray separator?"
            )
        texts = {n: c for n, c in zip(names, record, strict=False) if n in COLUMNS}
        rows.append(Cells(row, texts))
    return tuple(n for n in names if n in COLUMNS), rows


_POINT: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)
_COMMA: Final = re.compile(r"[+-]?\d+,\d+")
_STATION: Final = re.compile(r"([+-]?\d+)\+(\d+(?:[.,]\d+)?)")


def read_number(text: str) -> float:
    """Read one number, with a decimal point or a decimal comma; minus may be ``−``.

    Raises
    ------
    CellError
        It is none; the message says what was got.
    """
    cleaned = text.replace("\u2212", "-").replace("\u00a0", "").strip()
    if _POINT.fullmatch(cleaned):
        value = float(cleaned)
        if abs(value) == float("inf"):
            msg = f"{text!r} is too large a number"
            raise CellError(msg)
        return value
    if _COMMA.fullmatch(cleaned):
        return float(cleaned.replace(",", "."))
    if re.fullmatch(r"[+-]?\d{1,3}([.,\s]\d{3})+([.,]\d+)?", cleaned):
        msg = f"{text!r} has thousands separators; write it without"
        raise CellError(msg)
    msg = f"{text!r} is not a number"
    raise CellError(msg)


def read_chainage(text: str, unit: str) -> float:
    """Read a chainage in its column's own unit; ``12+345.6`` (km+m) or ``1234+56.7`` (stations
    of 100 ft) is understood in a km, m or ft column.

    Raises
    ------
    CellError
        It is none.
    """
    match = _STATION.fullmatch(text.replace(" ", ""))
    if match is None:
        return read_number(text)
    whole, rest = float(match[1]), float(match[2].replace(",", "."))
    size, per_unit = {"km": (1000.0, 1000.0), "m": (1000.0, 1.0), "ft": (100.0, 1.0)}.get(
        unit, (0.0, 1.0)
    )
    if size == 0.0 or rest >= size:
        msg = f"{text!r} is not a chainage in {unit}"
        raise CellError(msg)
    return (whole * size + (rest if not match[1].startswith("-") else -rest)) / per_unit
