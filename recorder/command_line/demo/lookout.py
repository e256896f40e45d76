"""Calls out to whoever rides the demo what an eye on the road and the driver would tell."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Final

from recorder.command_line.demo.ride_score import Throttle, throttle_at
from recorder.track.route.route import load_route

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

__all__ = ["Lookout", "Seen", "last_seen"]

LOOK_S: Final = 0.1
CALLED_M: Final = 150.0
"""A post is called out so far ahead."""


class Seen:
    """Where the train is, and how far the throttle is open, by the last row of its truth."""

    __slots__ = ("chainage_m", "throttle")

    def __init__(self, chainage_m: float, throttle: float) -> None:
        self.chainage_m, self.throttle = chainage_m, throttle


def last_seen(truth: Path) -> Seen | None:
    """The last whole line of a truth that is being written; None before there is one."""
    try:
        with truth.open("rb") as stream:
            stream.seek(0, 2)
            stream.seek(max(stream.tell() - 600, 0))
            lines = stream.read().split(b"\n")
    except FileNotFoundError:
        return None
    if len(lines) < 3:
        return None
    cells = lines[-2].split(b",")
    try:
        return Seen(float(cells[5]), float(cells[8]))
    except (IndexError, ValueError):
        return None


class Lookout:
    """Calls out from a thread until closed."""

    def __init__(self, feed: Path, call: Callable[[str], None] = print) -> None:
        self._truth = feed / "truth.csv"
        self.posts = sorted(load_route(feed / "route.csv").mileposts, key=lambda p: p.s_m)
        self._call = call
        self._setting: Throttle | None = None
        self._called: set[str] = set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="demo lookout", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Be silent, and wait for the thread."""
        self._stop.set()
        self._thread.join(10.0)

    def look(self, seen: Seen) -> None:
        """Call out what is new."""
        setting = throttle_at(seen.throttle)
        if setting != self._setting:
            self._setting = setting
            self._call(f"driver: the throttle is {setting}")
        for post in self.posts:
            ahead_m = post.s_m - seen.chainage_m
            if 0.0 < ahead_m <= CALLED_M and post.label not in self._called:
                self._called.add(post.label)
                self._call(f"lookout: milepost {post.label} in {ahead_m:.0f} m")

    def _watch(self) -> None:
        while not self._stop.wait(LOOK_S):
            if (seen := last_seen(self._truth)) is not None:
                self.look(seen)
