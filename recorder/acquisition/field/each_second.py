"""What a watch does every second, so that a bug of it ends the watch and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["EachSecond"]


class EachSecond:
    """The work of one watch over ``what``, told once where a bug ends it."""

    def __init__(
        self, what: str, work: Callable[[float], None], warn: Callable[[str], None]
    ) -> None:
        self.over = ""
        """That a bug has ended it; empty while it goes on."""
        self._what = what
        self._work = work
        self._warn = warn

    def done(self, t_s: float) -> bool:
        """Do it at this run time; whether it was done."""
        if self.over:
            return False
        try:
            self._work(t_s)
        except Exception as bug:  # noqa: BLE001 - the recording does not end for a watch
            self.over = f"{self._what} are no longer watched"
            self._warn(
                f"{self.over}, internal error: {type(bug).__name__}: {bug};"
                " recording goes on, the seal looks at them again"
            )
        return not self.over
