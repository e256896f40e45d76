"""Whether the last rows of a table are all there, although no later row can show it.

Rows are only ever added, with numbers that rise by one: so a hole shows itself, but not a missing
end. The tree of the table leads to its last leaf, and that page, whole or torn, tells how many
rows it held; where it does not, that is said.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from recorder.salvage.cells import children

if TYPE_CHECKING:
    from recorder.salvage.walk import Leaf, Walk

__all__ = ["Tail", "lost_frames", "tail_of"]

_DEEPEST: Final = 20
_TORN_AT_MOST: Final = 4_096
"""Bytes of a sector: a torn head with more than that of nothing before the cells hides none."""


class Tail(NamedTuple):
    """The end of a table."""

    top: int
    """The last row that there was, as far as it can be known."""
    unsure: str
    """Why more may have been lost; empty where nothing says so."""


def tail_of(walk: Walk, table: str, root: int, top: int, top_place: int) -> Tail:
    """The end of a table whose tree begins at page ``root`` and whose last proven row is ``top``.

    ``top_place`` is the place of the page with that row, 0 where there is none.
    """
    images, page, siblings = walk.images, root, list[int]()
    for _ in range(_DEEPEST):
        place = images.newest(page)
        data = images.read(place)
        if not images.is_inner(data):
            break
        siblings = children(data or b"")
        page = siblings[-1]
    if images.is_leaf(data):
        leaf = walk.leaf(place)
        ours = leaf.tables <= {table}
        if ours and (top in leaf.rows or not leaf.whole or not top):
            return _end(walk, table, place, leaf, top)
    elif not _was_inner(walk, place, top_place, siblings):
        return _end(walk, table, place, walk.leaf(place), top)
    if not top_place:
        return Tail(top, f"{images.in_words(place)} does not read")
    return _end(walk, table, top_place, walk.leaf(top_place), top)


def _was_inner(walk: Walk, place: int, top_place: int, siblings: list[int]) -> bool:
    """Whether a page that does not read led to leaves, and so held no rows itself."""
    images = walk.images
    if not siblings:
        return top_place not in (0, place)
    beside = images.read(images.newest(siblings[0]))
    return len(siblings) > 1 and images.is_inner(beside)


def _end(walk: Walk, table: str, place: int, leaf: Leaf, top: int) -> Tail:
    if leaf.whole:
        return Tail(top, "")
    data = walk.images.read(place)
    if data is not None and walk.images.is_leaf(data) and 8 + 6 * leaf.told <= len(data):
        known = [(row, at) for row, at in leaf.rows.items() if at >= 0]
        first = min((row - at for row, at in known), default=0)
        if known and first > 0:
            return Tail(max(top, first + leaf.told - 1), "")
    if data is not None and leaf.tables == {table}:
        hidden = leaf.lowest <= _TORN_AT_MOST or any(data[: leaf.lowest])
        if not hidden:
            return Tail(top, "")
    return Tail(top, f"{walk.images.in_words(place)} does not read")


def lost_frames(walk: Walk) -> list[str]:
    """Frames of the log that are damaged so that nobody can say what page they were of."""
    images, log, lost = walk.images, walk.images.log, []
    bad = set(log.bad)
    most = max([images.n_pages, *(p for i, p in enumerate(log.pages) if i not in bad)])
    ends = [log.end] if images.headless(-log.end - 1) else []
    for frame in [*log.bad, *ends]:
        page = images.read(-frame - 1)
        headed = frame < log.committed and 0 < log.pages[frame] <= most
        if headed or page is None or images.is_inner(page) or not any(page):
            continue
        leaf = walk.leaf(-frame - 1)
        hidden = leaf.lowest <= _TORN_AT_MOST or any(page[: leaf.lowest])
        if not leaf.whole and (not leaf.rows or hidden):
            lost.append(images.in_words(-frame - 1))
    return lost
