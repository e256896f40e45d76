"""A line that tells a person how far long work has come; silent where nobody watches."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Self

from recorder.command_line.support.screen import CLEARED, steer

__all__ = ["ProgressLine"]


class ProgressLine:
    """Called with the part done (0 to 1) and what is being done; use it in a ``with``."""

    def __init__(self) -> None:
        self._shown = -1
        self._watched = sys.stderr.isatty()

    def __call__(self, part: float, what: str) -> None:
        """Tell."""
        percent = int(100 * min(max(part, 0.0), 1.0))
        if self._watched and percent != self._shown:
            self._shown = percent
            steer(CLEARED)
            print(f"{percent:3d} %  {what}", end="", file=sys.stderr, flush=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._shown >= 0:
            steer(CLEARED)
