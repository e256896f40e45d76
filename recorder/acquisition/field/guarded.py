"""Figures and watches of every second, each by itself: one that fails takes no other down."""

from __future__ import annotations

import traceback
from typing import TYPE_CHECKING, TypeVar

from recorder.run.parts.event import Event, EventKind

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Guarded"]

T = TypeVar("T")


class Guarded:
    """Asks for what may fail without the recording: told once by its name, asked again.

    Any thread may ask. ``now_s`` gives run time.
    """

    def __init__(
        self,
        keep: Callable[[Event], None],
        warn: Callable[[str], None],
        now_s: Callable[[], float],
    ) -> None:
        self._keep = keep
        self._warn = warn
        self._now_s = now_s
        self._told: set[str] = set()

    def get(self, what: str, work: Callable[[], T], otherwise: T) -> T:
        """What ``work`` gives; ``otherwise`` where it fails."""
        try:
            return work()
        except OSError as error:
            self._tell(what, f"{what}: not known now ({error.strerror or error})")
        except Exception as bug:  # noqa: BLE001 - told, and kept with the run with its trace
            words = f"{type(bug).__name__}: {bug}"
            trace = traceback.format_exc(limit=-6)
            self._tell(what, f"{what}: internal error, {words}", error=words, trace=trace)
        return otherwise

    def do(self, what: str, work: Callable[[], object]) -> bool:
        """The same for what gives nothing: whether it did not fail."""
        return self.get(what, lambda: work() is None or True, otherwise=False)

    def _tell(self, what: str, words: str, **bug: str) -> None:
        if what in self._told:
            return
        self._told.add(what)
        if bug:
            data = {"what": what, **bug}
            self._keep(Event(kind=EventKind.BUG, t_s=self._now_s(), data=data))
        self._warn(f"{words}; recording goes on")
