"""Every row of a damaged database that proves itself, by where it lies; and where damage is.

Memory goes with the number of rows (at most 70 bytes each, and 300 more where one goes on in a
chain of pages; measured), never with what they hold, and time with the size of the files: each
page is taken up once, and chains of pages within a budget.
"""

from __future__ import annotations

import zlib
from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

from recorder.salvage.cells import Cell, Columns, cell_at, columns_of, fits, pointers, scanned

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from recorder.salvage.images import Images

__all__ = ["Leaf", "Proof", "TableRows", "Walk"]

Proof: TypeAlias = "Callable[[int, Columns], tuple[str, int] | None]"
"""Of a row's number and columns: its table and check if it proves itself, else None."""

_SHIFT: Final = 2**17
"""Above the greatest offset on a page."""
_MOST_SUSPECTS: Final = 1_000
_CHAIN_WALKS: Final = 8
"""Pages of chains that are read at most, as a multiple of all pages there are."""


@dataclass(slots=True)
class Leaf:
    """What a page holds, taken as a leaf of a table."""

    rows: dict[int, int] = field(default_factory=dict)
    """Of proven rows: where they stand among the leaf's own, -1 where its pointers lack them."""
    tables: set[str] = field(default_factory=set)
    told: int = 0
    """How many cells its head tells of."""
    lowest: int = 0
    """Where the proven cells begin."""
    whole: bool = False
    """Proven cells without a gap between them, as many as there were."""


@dataclass(slots=True)
class TableRows:
    """The proven rows of one table: number, place and check."""

    numbers: array[int] = field(default_factory=lambda: array("q"))
    places: array[int] = field(default_factory=lambda: array("q"))
    checks: array[int] = field(default_factory=lambda: array("Q"))
    ranks: array[int] = field(default_factory=lambda: array("b"))
    """What stands where two rows have one number: the greater one, then the later."""

    def add(self, number: int, place: int, check: int, rank: int) -> None:
        """Take up a row."""
        self.numbers.append(number)
        self.places.append(place)
        self.checks.append(check)
        self.ranks.append(rank)

    def sorted(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Numbers from 1 on, each once and rising, and the place of each."""
        ranks = np.frombuffer(self.ranks, np.int8)
        numbers, places = (np.frombuffer(a, np.int64) for a in (self.numbers, self.places))
        order = np.lexsort((np.arange(len(ranks)), ranks, numbers))
        order = order[numbers[order] >= 1]
        numbers, places = numbers[order], places[order]
        last = np.append(numbers[1:] != numbers[:-1], [True])[: len(numbers)]
        return numbers[last], places[last]

    def in_conflict(self, one: int, other: int) -> bool:
        """Whether rows of two ranks have one number and are not the same."""
        ranks = np.frombuffer(self.ranks, np.int8)
        numbers = np.frombuffer(self.numbers, np.int64)
        checks = np.frombuffer(self.checks, np.uint64)
        a, b = ranks == one, ranks == other
        _, i, j = np.intersect1d(numbers[a], numbers[b], return_indices=True)
        return bool((checks[a][i] != checks[b][j]).any())


class Walk:
    """All pages taken up once; ``prove`` says what a row is."""

    STRAY, LATER, BASE, SOUND = range(4)
    """Ranks: beyond the log's end, behind damage in the log, the database, what SQLite reads."""

    def __init__(self, images: Images, prove: Proof) -> None:
        self.images = images
        self.tables: dict[str, TableRows] = {}
        self.suspects: list[int] = []
        """Places that do not hold what they should, as far as that can be seen on them."""
        self._prove = prove
        self._chained: dict[tuple[int, int, int], tuple[str, int]] = {}
        total = images.n_pages + len(images.log.pages)
        self._budget = _CHAIN_WALKS * total + 1_000
        for place in images.places():
            page = images.read(place)
            if page is not None and page.strip(b"\0"):
                self._take(page, place)
            elif images.newest(place) == place:
                self._suspect(place)

    def _rank(self, place: int) -> int:
        frame = -place - 1
        if place > 0:
            return self.BASE
        log = self.images.log
        if frame < log.sound:
            return self.SOUND
        return self.LATER if frame < log.committed else self.STRAY

    def _take(self, page: bytes, place: int) -> None:
        if self.images.is_inner(page):
            return
        leaf, found = self._judge(page)
        for table, cell, check in found:
            rows = self.tables.setdefault(table, TableRows())
            rows.add(cell.row, place * _SHIFT + cell.start, check, self._rank(place))
        listed = self.images.is_leaf(page) or leaf.rows
        if listed and not leaf.whole:
            self._suspect(place)

    def _suspect(self, place: int) -> None:
        if len(self.suspects) < _MOST_SUSPECTS:
            self.suspects.append(place)

    def believed(self, table: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Numbers and places of the rows of a table, each number once.

        What lies beyond the log's end fills holes, but adds rows at the end only where the head of
        its frame is gone: a commit that failed may have left it there.
        """
        numbers, places = self.tables[table].sorted()
        frames = -(places // _SHIFT) - 1
        stray = frames >= self.images.log.committed
        top = numbers[~stray].max(initial=0)
        kept = ~stray | (numbers < top)
        for i in np.flatnonzero(~kept).tolist():
            kept[i] = self.images.headless(int(-frames[i]) - 1)
        return numbers[kept], places[kept]

    def page_of(self, place: int) -> int:
        """The place of the page that a row lies on."""
        return place // _SHIFT

    def leaf(self, place: int) -> Leaf:
        """The page at a place, taken as a leaf."""
        page = self.images.read(place)
        return Leaf() if page is None else self._judge(page)[0]

    def _judge(self, page: bytes) -> tuple[Leaf, list[tuple[str, Cell, int]]]:
        leaf = Leaf(lowest=len(page))
        starts: list[int] = []
        if self.images.is_leaf(page):
            leaf.told = int.from_bytes(page[3:5], "big")
            starts = pointers(page)
        found = list(self._proven(page, (cell_at(page, start) for start in starts)))
        self._sum_up(leaf, page, found, starts)
        # A bit may have made the number of cells less: then the pointers do not tell of all.
        if not leaf.whole or (leaf.told, leaf.lowest) != (len(found), _content(page)):
            known = {cell.start for _, cell, _ in found}
            more = (cell for cell in scanned(page) if cell.start not in known)
            found += self._proven(page, more)
            self._sum_up(leaf, page, found, starts)
        return leaf, found

    def _proven(
        self, page: bytes, cells: Iterable[Cell | None]
    ) -> Iterable[tuple[str, Cell, int]]:
        for cell in cells:
            if cell is None or not fits(page, cell):
                continue
            # A row is on every copy of its leaf; its chain is walked for the first of them.
            key = (cell.row, cell.chain, zlib.crc32(page[cell.at : cell.at + cell.local]))
            proof = self._chained.get(key) if cell.chain else None
            if proof is None:
                proof = self._proof(page, cell)
                if proof is not None and cell.chain:
                    self._chained[key] = proof
            if proof is not None:
                yield proof[0], cell, proof[1]

    def _proof(self, page: bytes, cell: Cell) -> tuple[str, int] | None:
        answers = (self._prove(cell.row, columns) for columns in self._contents(page, cell))
        return next((proof for proof in answers if proof is not None), None)

    def _sum_up(
        self,
        leaf: Leaf,
        page: bytes,
        found: list[tuple[str, Cell, int]],
        starts: list[int],
    ) -> None:
        index = {start: i for i, start in enumerate(starts)}
        leaf.rows = {cell.row: index.get(cell.start, -1) for _, cell, _ in found}
        leaf.tables = {table for table, _, _ in found}
        spans = sorted((cell.start, cell.end) for _, cell, _ in found)
        at = len(page)
        for start, end in reversed(spans):
            if end != at:
                break
            at = start
        tiled = not spans or at == spans[0][0]
        leaf.lowest = at
        counted = 0 < leaf.told == len(spans)
        leaf.whole = self.images.is_leaf(page) and tiled and (at == _content(page) or counted)

    # ------------------------------------------------------------------ contents

    def columns(self, place: int) -> Columns | None:
        """The columns of a row that was found, read again; None where that fails now."""
        at, start = divmod(place, _SHIFT)
        page = self.images.read(at)
        cell = None if page is None else cell_at(page, start)
        if page is None or cell is None:
            return None
        self._budget = max(self._budget, 4 * (cell.size // self.images.page_bytes + 2))
        for columns in self._contents(page, cell):
            if self._prove(cell.row, columns) is not None:
                return columns
        return None

    def _contents(self, page: bytes, cell: Cell) -> Iterable[Columns]:
        """What the row may hold: more than one answer where pages have several contents."""
        local = page[cell.at : cell.at + cell.local]
        if not cell.chain:
            if (columns := columns_of(local)) is not None:
                yield columns
            return
        before: bytes | None = None
        for which in (0, -1, 1):
            record = self._gathered(local, cell, which)
            if record is not None and record != before:
                before = record
                if (columns := columns_of(record)) is not None:
                    yield columns

    def _gathered(self, local: bytes, cell: Cell, which: int) -> bytes | None:
        """The record with its chain; of several contents of a page, one is chosen."""
        parts, left, page = [local], cell.size - len(local), cell.chain
        if left > (self.images.n_pages + len(self.images.log.pages)) * self.images.page_bytes:
            return None
        seen: set[int] = set()
        while left > 0:
            self._budget -= 1
            if page in seen or self._budget < 0:
                return None
            seen.add(page)
            copies = self.images.copies(page)
            data = self.images.read(copies[min(which, len(copies) - 1)])
            if data is None:
                return None
            parts.append(data[4 : 4 + left])
            left -= len(parts[-1])
            page = int.from_bytes(data[:4], "big")
        return b"".join(parts)


def _content(page: bytes) -> int:
    """Where a leaf says that its cells begin."""
    return int.from_bytes(page[5:7], "big") or 65_536
