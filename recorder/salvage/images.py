"""The pages of a database and of its log under one kind of place, and which is the newest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Self

from recorder.salvage.cells import INTERIOR, LEAF, children
from recorder.salvage.log import (
    FRAME_HEAD,
    LOG_HEAD,
    Log,
    frames_told,
    log_page_bytes,
    read_log,
)
from recorder.salvage.page_file import PageFile

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["DATABASE", "Images", "page_sizes"]

DATABASE: Final = b"SQLite format 3\0"
_SIZES: Final = frozenset(2**k for k in range(9, 17))


def page_sizes(path: Path, usual_bytes: int) -> list[int]:
    """What pages may have of bytes, the likeliest first: as the head of the database says, that
    of the log, and usually. Of a sound database all three are one."""
    log = _log_of(path)
    told = [_told_bytes(_head_of(path)), log_page_bytes(log) if log.is_file() else 0]
    return list(dict.fromkeys([*filter(_SIZES.__contains__, told), usual_bytes]))


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _head_of(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(100)


def _told_bytes(head: bytes) -> int:
    told = int.from_bytes(head[16:18], "big")
    return 65_536 if told == 1 else told


class Images:
    """Places are 1, 2, 3 … for pages of the database, -1, -2, -3 … for frames of the log."""

    def __init__(self, path: Path, size: int) -> None:
        """Open both; ``size`` is how many bytes a page has."""
        self.log_path = _log_of(path)
        head = _head_of(path)
        has_log = self.log_path.is_file()
        self.log_bytes = self.log_path.stat().st_size if has_log else 0
        self.head_bad = not (head.startswith(DATABASE) and _told_bytes(head) == size)
        self.page_bytes = size
        self._base = PageFile(path, size)
        self._frames = (
            PageFile(self.log_path, size + FRAME_HEAD, head=LOG_HEAD) if has_log else None
        )
        self.n_pages = self._base.n
        self.pages_told = int.from_bytes(head[28:32], "big")
        self.log = read_log(self._frames) if self._frames else Log()
        log_head = self._frames.head if self._frames else b""
        index = path.with_name(path.name + "-shm")
        self.frames_told, self.frames_in_base = frames_told(index, log_head)
        """By the index that a killed program leaves beside the log; zeros without one."""
        self._newest: dict[int, list[int]] = {}
        self._most = max(self.n_pages, min(self.pages_told, 2 * self.n_pages + 2))
        for frame in range(self.log.committed):
            self._newest.setdefault(self.log.pages[frame], []).append(frame)
        self._most = max(self._most, max(self._newest, default=0))

    @property
    def rest_bytes(self) -> int:
        """Bytes of a last page of the database that is not there whole."""
        return self._base.rest_bytes

    @property
    def cut_short(self) -> bool:
        """Whether pages that the head tells of are neither in the database nor in the log."""
        held = max(self.n_pages, max(self._newest, default=0))
        return held < self.pages_told

    def use_no_log(self) -> None:
        """Leave the log out of account: it belongs to another database."""
        self._newest.clear()
        self.log = Log()
        if self._frames:
            self._frames.close()
            self._frames = None

    def read(self, place: int) -> bytes | None:
        """The page at a place; None where the disk does not give it."""
        if place > 0:
            return self._base.read(place - 1)
        frame = self._frames.read(-place - 1) if self._frames else None
        return None if frame is None else frame[FRAME_HEAD:]

    def unread(self) -> dict[int, str]:
        """Places that the disk did not give, and why."""
        found = {n + 1: why for n, why in self._base.unread.items()}
        if self._frames:
            found |= {-n - 1: why for n, why in self._frames.unread.items()}
        return found

    def newest(self, page: int) -> int:
        """The place of the newest content of a page."""
        frames = self._newest.get(page)
        return -frames[-1] - 1 if frames else page

    def copies(self, page: int, *, most: int = 4) -> list[int]:
        """Places of the contents of a page, the newest first."""
        frames = self._newest.get(page, [])[-most:]
        return [*(-frame - 1 for frame in reversed(frames)), page]

    def places(self) -> Iterator[int]:
        """Every place but those of a commit that was not finished; the database first."""
        yield from range(1, self.n_pages + 1)
        if self._frames:
            yield from (-f - 1 for f in range(self.log.committed))
            yield from (-f - 1 for f in range(self.log.end, self._frames.n))

    def headless(self, place: int) -> bool:
        """Whether the head of a frame is gone to zeros while its page is not empty."""
        frame = self._frames.read(-place - 1) if self._frames and place < 0 else None
        return frame is not None and not any(frame[:FRAME_HEAD]) and any(frame)

    def is_inner(self, page: bytes | None) -> bool:
        """Whether a page is an inner one of a table, leading to pages that can be."""
        inner = page is not None and page[0] == INTERIOR
        return inner and all(0 < child <= self._most for child in children(page or b""))

    def is_leaf(self, page: bytes | None) -> bool:
        """Whether a page says that it is a leaf of a table."""
        return page is not None and page[0] == LEAF

    def in_words(self, place: int) -> str:
        """The place for a person."""
        if place > 0:
            return f"page {place} of the database"
        frame = -place - 1
        page = self.log.pages[frame] if frame < len(self.log.pages) else 0
        return f"frame {frame + 1} of the log" + (f" (page {page})" if page else "")

    def close(self) -> None:
        """Let go."""
        self._base.close()
        if self._frames:
            self._frames.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
