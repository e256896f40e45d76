"""A file of pages of one size behind a head; what the disk does not give is told, not raised."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final, Self

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["PageFile"]

_AHEAD: Final = 64
"""Pages read at once."""


class PageFile:
    """Pages by their place, 0, 1, 2, …; one stretch of them is held."""

    def __init__(self, path: Path, size: int, *, head: int = 0) -> None:
        self.size = size
        self.unread: dict[int, str] = {}
        """Pages that the disk did not give, and why."""
        self._file = path.open("rb", buffering=0)
        self._base = head
        self._alone_until = 0
        total = os.fstat(self._file.fileno()).st_size
        self.head = self._given(0, head) or b""
        self.n, self.rest_bytes = divmod(max(total - head, 0), size)
        self._held_from = 0
        self._held = b""

    def read(self, place: int) -> bytes | None:
        """One page, whole; None where there is none, or the disk does not give it."""
        if not 0 <= place < self.n:
            return None
        at = (place - self._held_from) * self.size
        if not 0 <= at <= len(self._held) - self.size:
            if place in self.unread or not self._hold(place):
                return None
            at = 0
        return self._held[at : at + self.size]

    def _hold(self, place: int) -> bool:
        """Take pages from there on; False where not even the first is given."""
        onward = place == self._held_from + len(self._held) // self.size
        data: bytes | None = None
        if onward and place >= self._alone_until:
            # On the way through many are taken at once; here and there only one.
            data = self._given(self._base + place * self.size, _AHEAD * self.size)
            if data is None:
                # A failing disk takes its time over each try: page by page past the bad one.
                self._alone_until = place + _AHEAD
        if data is None:
            data = self._given(self._base + place * self.size, self.size, of=place)
        if data is None or len(data) < self.size:
            self.unread.setdefault(place, "the file ends before it")
            return False
        self._held_from, self._held = place, data
        return True

    def _given(self, at: int, n: int, *, of: int | None = None) -> bytes | None:
        try:
            return os.pread(self._file.fileno(), n, at)
        except OSError as error:
            if of is not None:
                self.unread[of] = str(error.strerror or error)
            return None

    def close(self) -> None:
        """Let go."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
