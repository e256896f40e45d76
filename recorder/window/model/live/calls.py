"""What somebody calls out to the crew of a rehearsal: the newest line of a file, for a while."""

from __future__ import annotations

from pathlib import Path
from typing import Final

__all__ = ["SHOWN_S", "Calls"]

SHOWN_S: Final = 12.0
"""Long enough to be read between two looks at the road (from experience)."""
_TAIL_BYTES: Final = 400


class Calls:
    """Follows a text file that another process adds lines to.

    Parameters
    ----------
    path
        The file; it need not be there yet. None: nobody calls.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._size = 0
        self._line = ""
        self._came_ns = 0

    def told(self, now_ns: int) -> str:
        """The newest whole line, if it came within the last :data:`SHOWN_S`; else empty."""
        self._look(now_ns)
        return self._line if now_ns - self._came_ns <= SHOWN_S * 1e9 else ""

    def _look(self, now_ns: int) -> None:
        if self._path is None:
            return
        try:
            size = self._path.stat().st_size
            if size == self._size:
                return
            with self._path.open("rb") as stream:
                stream.seek(max(size - _TAIL_BYTES, 0))
                tail = stream.read()
        except FileNotFoundError:
            return
        lines = tail[: tail.rfind(b"\n") + 1].decode("utf-8", errors="replace").splitlines()
        if lines:
            self._size, self._line, self._came_ns = size, lines[-1], now_ns
