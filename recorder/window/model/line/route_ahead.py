"""The line around the train: profile, curves, what comes next. No Qt here."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.marks.kinds import Kind
from recorder.track.placing.anchors import PlacingOptions
from recorder.track.placing.live_placing import LivePlacer, LivePosition

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.consist.train_shape import TrainShape
    from recorder.track.route.features import Feature
    from recorder.track.route.route import Milepost, Route

__all__ = ["Coming", "RouteAhead", "Strip"]

BEHIND_M: Final = 1500.0
AHEAD_M: Final = 4500.0
_FAR_POST_M: Final = 600.0
"""A milepost mark further than this from where the train should be is not believed."""
_OFFSETS_KEPT: Final = 5
_U_START_M: Final = 50.0
_U_WHEEL: Final = 0.01
_TOLD: Final = frozenset(
    {"station", "signal", "tunnel", "bridge", "crossing", "speed_limit", "grade", "curve"}
)


@dataclass(frozen=True, slots=True)
class Coming:
    """One thing ahead."""

    metres: float
    kind: str
    label: str


@dataclass(frozen=True, slots=True)
class Strip:
    """What the profile strip draws; ``x`` is metres ahead of the coupler, − behind."""

    x_m: NDArray[np.float64]
    elevation_m: NDArray[np.float64]
    """(n,) NaN where not known."""
    curvature_per_m: NDArray[np.float64]
    """(n,) + to the right as the train goes."""
    posts: tuple[tuple[float, str], ...]
    places: tuple[tuple[float, str, str], ...]
    """x, kind, label of stations, signals, bridges …"""
    train_m: tuple[float, float]
    """Rear and front of the train."""


class RouteAhead:
    """Where the train is on its route, by its wheel and by the milepost marks."""

    def __init__(
        self,
        route: Route,
        *,
        direction: int = 1,
        start_m: float | None = None,
        shape: TrainShape | None = None,
    ) -> None:
        self.route = route
        self.direction = 1 if direction >= 0 else -1
        self.shape = shape
        self.start_m = start_m
        self._offsets: deque[float] = deque(maxlen=_OFFSETS_KEPT)
        self._by_mark: dict[str, tuple[str, float]] = {}
        self._placer: LivePlacer | None = None
        self._placed_at: tuple[float, LivePosition] | None = None
        self._told: dict[str, Mark] = {}

    def follow(self, t_s: float, distance_m: float) -> None:
        """Take the wheel's newest distance: the place is fitted to all marks as they come."""
        if not (math.isfinite(t_s) and math.isfinite(distance_m)):
            return
        if self._placer is None:
            start = None if self.start_m is None else self._predicted(distance_m)
            options = PlacingOptions(
                way=self.direction,
                start_chainage_m=start,
                u_start_m=_U_START_M + _U_WHEEL * abs(distance_m),
            )
            self._placer = LivePlacer(self.route, options)
        position = self._placer.update(t_s, distance_m)
        self._placed_at = None if position is None else (distance_m, position)

    @property
    def u95_m(self) -> float:
        """95 % uncertainty of the place; NaN while only the trip sheet or one offset says it."""
        return math.nan if self._placed_at is None else self._placed_at[1].u95_m

    @property
    def placed(self) -> bool:
        """Whether anything says where the train is."""
        known = self.start_m is not None or bool(self._offsets)
        return known or self._placed_at is not None

    def chainage_m(self, distance_m: float) -> float:
        """Chainage of the coupler; NaN while nothing says where the train is."""
        if not self.placed or not math.isfinite(distance_m):
            return math.nan
        if self._placed_at is not None:
            there_m, position = self._placed_at
            return position.chainage_m + position.facing * (distance_m - there_m)
        return self._predicted(distance_m) + self._offset()

    def _predicted(self, distance_m: float) -> float:
        return (self.start_m or 0.0) + self.direction * distance_m

    def _offset(self) -> float:
        """The median: one wrong mark of the last few does not move the train."""
        return float(np.median(self._offsets)) if self._offsets else 0.0

    def note_marks(self, marks: Sequence[tuple[Mark, float]]) -> None:
        """Take up milepost marks with the train's distance at each, corrections included."""
        fresh = {
            mark.mark_id: (mark.value, distance)
            for mark, distance in marks
            if mark.kind is Kind.MILEPOST and mark.value and math.isfinite(distance)
        }
        if fresh == self._by_mark:
            return
        self._by_mark = fresh
        self._tell_placer([m for m, d in marks if m.mark_id in fresh])
        self._offsets.clear()
        for value, distance in fresh.values():
            posts = self.route.mileposts_labelled(value)
            if not posts:
                continue
            here = self._predicted(distance)
            known = self.placed
            expected = here + self._offset()
            post = min(posts, key=lambda p: abs(p.s_m - expected))
            if not known or abs(post.s_m - expected) <= _FAR_POST_M:
                self._offsets.append(post.s_m - here)

    def _tell_placer(self, marks: Sequence[Mark]) -> None:
        """Hand on new marks and corrections; a mark that is gone was withdrawn."""
        if self._placer is None:
            return
        held = {mark.mark_id: mark for mark in marks}
        for mark in held.values():
            self._placer.add_mark(mark)
        for gone in self._told.keys() - held.keys():
            self._placer.add_mark(self._told[gone].revised(withdrawn=True))
        self._told = held

    def next_post(self, distance_m: float) -> tuple[Milepost, float] | None:
        """The next milepost and the metres to it."""
        s_m = self.chainage_m(distance_m)
        if not math.isfinite(s_m):
            return None
        post = self.route.next_milepost(s_m, self.direction)
        return None if post is None else (post, abs(post.s_m - s_m))

    def coming(self, distance_m: float, *, within_m: float = 3000.0) -> list[Coming]:
        """What comes in the next stretch, nearest first."""
        s_m = self.chainage_m(distance_m)
        if not math.isfinite(s_m):
            return []
        ahead = self.route.ahead(s_m, self.direction, within_m, _TOLD)
        return [Coming(metres, f.kind, self._words(f)) for metres, f in ahead]

    def _words(self, feature: Feature) -> str:
        if feature.kind == "grade" and feature.number is not None:
            slope = 100.0 * feature.number * self.direction
            return "level" if abs(slope) < 0.005 else f"grade {slope:+.2f} %".replace("-", "−")
        if feature.kind == "speed_limit" and feature.number is not None:
            return f"limit {feature.value}"
        if feature.kind == "curve" and feature.curve is not None:
            hand = feature.curve.hand * self.direction
            side = "right" if hand > 0 else "left" if hand < 0 else ""
            return f"curve {side} R {feature.curve.radius_m:.0f} m".replace("  ", " ")
        name = feature.label
        return name if feature.kind == "station" else f"{feature.kind} {name}".strip()

    def grade_pct(self, distance_m: float) -> float:
        """Grade at the coupler as the train goes, + up; NaN where not known."""
        s_m = self.chainage_m(distance_m)
        if not math.isfinite(s_m):
            return math.nan
        return 100.0 * self.direction * float(self.route.grade_at(np.array([s_m]))[0])

    def limit_m_s(self, distance_m: float) -> float:
        """Speed limit at the coupler; NaN where none is stated."""
        s_m = self.chainage_m(distance_m)
        if not math.isfinite(s_m):
            return math.nan
        return float(self.route.speed_limit_at(np.array([s_m]))[0])

    def strip(self, distance_m: float, *, n: int = 400) -> Strip | None:
        """What to draw; None while nothing says where the train is."""
        here = self.chainage_m(distance_m)
        if not math.isfinite(here):
            return None
        x = np.linspace(-BEHIND_M, AHEAD_M, n)
        s = here + self.direction * x
        low, high = float(s.min()), float(s.max())
        found = self.route.features(low, high, _TOLD - {"grade", "curve", "speed_limit"})
        posts = [p for p in self.route.mileposts if low <= p.s_m <= high]
        shape = self.shape
        return Strip(
            x_m=x,
            elevation_m=self.route.elevation_at(s),
            curvature_per_m=self.direction * self.route.curvature_at(s),
            posts=tuple((self.direction * (p.s_m - here), p.label) for p in posts),
            places=tuple(
                (self.direction * (f.s_m - here), f.kind, f.label)
                for f in found
                if low <= f.s_m <= high
            ),
            train_m=(0.0, 0.0) if shape is None else (shape.rear_m, shape.front_m),
        )
