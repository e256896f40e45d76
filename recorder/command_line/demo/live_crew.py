"""The crew of a demo without a screen: keys marks as a person at the window would.

Mileposts are keyed from where the simulated train is, a human moment late.
"""

from __future__ import annotations

import contextlib
import random
import threading
from typing import TYPE_CHECKING, Final

from recorder.acquisition.control.exchanges import RequestRefusedError
from recorder.acquisition.control.requests import NotKeptYetError
from recorder.acquisition.control.session_files import SessionError
from recorder.command_line.demo.lookout import last_seen
from recorder.machine.clocks import now_ns
from recorder.marks.kinds import Kind
from recorder.track.route.route import load_route

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.acquisition.control.client import LiveSession

__all__ = ["DemoCrew"]

LOOK_S: Final = 0.1


class DemoCrew:
    """Keys marks from a thread until closed or until the recording ends."""

    def __init__(self, session: LiveSession, feed: Path) -> None:
        self._session = session
        self._truth = feed / "truth.csv"
        self._posts = load_route(feed / "route.csv").mileposts
        self._stop = threading.Event()
        self._chance = random.Random(1)
        self._thread = threading.Thread(target=self._ride, name="demo crew", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop keying and wait for the thread."""
        self._stop.set()
        self._thread.join(10.0)

    def _ride(self) -> None:
        try:
            self._key(Kind.WEATHER, "dry; wind 3 m/s from 240; 11 C")
            self._key(Kind.THROTTLE, "full")
            before: float | None = None
            while not self._stop.wait(LOOK_S):
                place = self._place()
                if place is None:
                    continue
                if before is not None and place != before:
                    self._pass(min(before, place), max(before, place))
                before = place
        except (SessionError, RequestRefusedError):
            return  # the recording has ended or is ending: nothing more to key

    def _pass(self, low: float, high: float) -> None:
        for post in self._posts:
            if low < post.s_m <= high:
                self._stop.wait(abs(self._chance.gauss(0.25, 0.1)))
                self._key(Kind.MILEPOST, post.label)

    def _key(self, kind: Kind, value: str) -> None:
        with contextlib.suppress(NotKeptYetError):  # the recording goes on trying, and warns
            self._session.mark(kind, now_ns(), value)

    def _place(self) -> float | None:
        """Chainage by the truth; None before there is one."""
        seen = last_seen(self._truth)
        return None if seen is None else seen.chainage_m
