"""Tables in text: rows of cells and the numbers in them, refused in one line with file and row."""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING, Final

from calibration.quantities.bounded_text import read_bounded_bytes

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["TableError", "number_in", "rows_of"]

LARGEST_BYTES: Final = 512 * 2**20
LARGEST: Final = 1e24
"""Nothing on a railway is larger in any unit, and its powers are numbers still."""


class TableError(ValueError):
    """A table that cannot become a run; one line with file and row."""


def rows_of(path: Path) -> tuple[list[tuple[int, list[str]]], int]:
    """Rows that hold something, each with its number in the file, and the header's number.

    Raises
    ------
    TableError
        Too large, not text, or not a table.
    OSError
        The file cannot be read.
    """
    data = read_bounded_bytes(
        path, largest=LARGEST_BYTES, refused="too large a table; split it", error=TableError
    )
    if b"\0" in data[:4096] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        msg = f"{path}: not a text table (it holds zero bytes)"
        raise TableError(msg)
    try:
        wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        msg = f"{path}: not UTF-8 text ({error.reason} at byte {error.start}); save it as UTF-8"
        raise TableError(msg) from error
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max((",", ";", "\t"), key=first.count)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        rows = [
            (reader.line_num, cells)
            for cells in reader
            if any(c.strip() for c in cells) and not cells[0].lstrip().startswith("#")
        ]
    except csv.Error as error:
        msg = f"{path}: not a readable table: {error}"
        raise TableError(msg) from error
    if not rows:
        msg = f"{path}: empty; a header row and data are needed"
        raise TableError(msg)
    return rows, rows[0][0]


def number_in(path: Path, row: int, column: str, cell: str) -> float:
    """The number in a cell; NaN when it is empty.

    Raises
    ------
    TableError
        Not a finite number, or beyond all bounds.
    """
    text = cell.strip().replace("\u2212", "-")
    if not text or text.lower() in {"nan", "na", "null"}:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        hint = " (decimal comma? write a point)" if text.count(",") == 1 else ""
        msg = f"{path} row {row}: {column} is {cell!r}, a number is needed{hint}"
        raise TableError(msg) from None
    if math.isinf(value) or "_" in text:
        msg = f"{path} row {row}: {column} is {cell!r}, a finite number is needed"
        raise TableError(msg)
    if abs(value) > LARGEST:
        msg = f"{path} row {row}: {column} is {cell!r}; allowed: {-LARGEST:g} to {LARGEST:g}"
        raise TableError(msg)
    return value
