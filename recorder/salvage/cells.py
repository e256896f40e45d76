"""Rows on a page of an SQLite database, read from its bytes by the published file format.

A leaf of a table has a head of eight bytes, pointers to its cells, unused room, and the cells.
A cell is the length of its record, the row's number, and the record, of which what does not fit
goes on in a chain of other pages. Nothing here is believed: whoever asks has a proof for a row.
"""

from __future__ import annotations

import re
import struct
from typing import TYPE_CHECKING, Final, NamedTuple, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "INDEX_KINDS", "INTERIOR", "LEAF", "Cell", "Columns", "cell_at", "children", "columns_of",
    "pointers", "scanned",
]  # fmt: skip

LEAF: Final = 0x0D
INTERIOR: Final = 0x05
INDEX_KINDS: Final = frozenset({0x02, 0x0A})
LARGEST_RECORD: Final = 512 * 2**20
"""A commit holds what all rings hold at most; a damaged length asks for anything."""
MOST_COLUMNS: Final = 16
MOST_HITS: Final = 4_000
"""Places on a page that look like a row: more are no page of ours."""
_HEAD: Final = 8
_INT_BYTES: Final = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0)

Columns: TypeAlias = tuple[int | float | bytes | None, ...]
"""Texts stay bytes: they are proven before they are read."""


class Cell(NamedTuple):
    """A row as it lies on a page."""

    row: int
    size: int
    """Bytes of the whole record."""
    at: int
    """Where the record begins on the page."""
    local: int
    """Bytes of it on this page."""
    chain: int
    """The page where it goes on; 0 where it does not."""
    start: int
    end: int
    """Bounds of the cell on the page."""


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, and where the next begins; beyond the page it raises."""
    value = 0
    for i in range(8):
        byte = data[at + i]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + i + 1
    return value << 8 | data[at + 8], at + 9


def cell_at(page: bytes, start: int) -> Cell | None:
    """The cell that begins there; None where none can."""
    try:
        size, at = _varint(page, start)
        row, at = _varint(page, at)
    except IndexError:
        return None
    if not 2 <= size <= LARGEST_RECORD:
        return None
    row -= (row >> 63) << 64
    most = len(page) - 35
    if size <= most:
        end = at + size
        return Cell(row, size, at, size, 0, start, end) if end <= len(page) else None
    least = (len(page) - 12) * 32 // 255 - 23
    local = least + (size - least) % (len(page) - 4)
    local = local if local <= most else least
    end = at + local + 4
    if end > len(page):
        return None
    return Cell(row, size, at, local, int.from_bytes(page[end - 4 : end], "big"), start, end)


def _types(record: bytes, size: int) -> tuple[list[int], int] | None:
    """Types of the columns and where the first lies, if they fill the record to the byte."""
    try:
        head, at = _varint(record, 0)
        types: list[int] = []
        total = head
        while at < head:
            kind, at = _varint(record, at)
            types.append(kind)
            total += (kind - 12) // 2 if kind >= 12 else _INT_BYTES[kind]
            if len(types) > MOST_COLUMNS or total > size:
                return None
    except IndexError:
        return None
    return (types, head) if at == head and total == size else None


def columns_of(record: bytes) -> Columns | None:
    """The columns of a whole record; None where it is none."""
    found = _types(record, len(record))
    if found is None:
        return None
    types, at = found
    columns: list[int | float | bytes | None] = []
    for kind in types:
        n = (kind - 12) // 2 if kind >= 12 else _INT_BYTES[kind]
        data = record[at : at + n]
        at += n
        if kind >= 12:
            columns.append(data)
        elif kind == 0:
            columns.append(None)
        elif kind == 7:
            columns.append(struct.unpack(">d", data)[0])
        else:
            columns.append(kind - 8 if kind >= 8 else int.from_bytes(data, "big", signed=True))
    return tuple(columns)


def fits(page: bytes, cell: Cell) -> bool:
    """Whether the head of the record, which lies on the page, tells of just so many bytes."""
    return _types(page[cell.at : cell.at + cell.local], cell.size) is not None


def pointers(page: bytes) -> list[int]:
    """Where a leaf says that its cells begin, in order of rows; what lies beyond is left out."""
    n = min(int.from_bytes(page[3:5], "big"), (len(page) - _HEAD) // 2)
    return list(struct.unpack_from(f">{n}H", page, _HEAD))


def children(page: bytes) -> list[int]:
    """The pages that an inner page of a table leads to, in order of rows."""
    n = min(int.from_bytes(page[3:5], "big"), (len(page) - 12) // 2)
    starts = (*struct.unpack_from(f">{n}H", page, 12), 8)
    return [int.from_bytes(page[at : at + 4], "big") for at in starts]


_HEADS: Final = re.compile(
    # number of the row left out, then a text and a number: rows of a table with numbered rows
    rb"(?=([\x06-\x0f]\x00(?:[\x0d-\x7f]|[\x81-\x8f][\x00-\x7f])[\x00-\x09]"
    # two texts, then a number: rows of a table with keys of text
    rb"|[\x04-\x09][\x0d-\x7f](?:[\x0d-\x7f]|[\x81-\xff]{1,3}[\x00-\x7f])[\x00-\x09]))",
    re.DOTALL,
)


def scanned(page: bytes) -> Iterator[Cell]:
    """Cells found by the look of their records, wherever they lie: of a page with a torn head."""
    for hits, match in enumerate(_HEADS.finditer(page)):
        if hits >= MOST_HITS:
            return
        at = match.start()
        for start in range(at - 2, max(at - 12, -1), -1):
            cell = cell_at(page, start)
            if cell is not None and cell.at == at and fits(page, cell):
                yield cell
