"""The line around the train: profile, curves, what comes next. No Qt here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.marks.kinds import Kind
from recorder.track.live.live_placer import LivePlacer, LivePosition
from recorder.track.placing.anchors import U_RECEIPT_DELAY_S, PlacingOptions
from recorder.track.placing.placement import MarkUse

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.consist.train_shape import TrainShape
    from recorder.track.placing.anchors import GnssFixes
    from recorder.track.route.features import Feature
    from recorder.track.route.route import Milepost, Route

__all__ = ["Coming", "RouteAhead", "Strip"]

BEHIND_M: Final = 1500.0
AHEAD_M: Final = 4500.0
_U_START_M: Final = 50.0
_U_WHEEL: Final = 0.01
_SHOWN: Final = frozenset(
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
    """Where the train is on its route: by its wheel, the milepost marks and the receiver."""

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
        self._placer: LivePlacer | None = None
        self._position: LivePosition | None = None
        self._distance_m = math.nan
        self._marks: dict[str, Mark] = {}

    # ------------------------------------------------------------------ what comes in

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
                u_gnss_delay_s=U_RECEIPT_DELAY_S,
            )
            self._placer = LivePlacer(self.route, options)
            for mark in self._marks.values():
                self._placer.add_mark(mark)
        self._position = self._placer.update(t_s, distance_m)
        self._distance_m = distance_m

    def note_marks(self, marks: Iterable[Mark]) -> None:
        """Take up all milepost marks as they now are: new ones, corrections, withdrawals."""
        held = {m.mark_id: m for m in marks if m.kind is Kind.MILEPOST and m.value}
        changed = [m for m in held.values() if self._marks.get(m.mark_id) != m]
        gone = [m for name, m in self._marks.items() if name not in held]
        self._marks = held
        if self._placer is not None:
            for mark in [*changed, *(m.revised(withdrawn=True) for m in gone)]:
                self._placer.add_mark(mark)

    def note_fixes(self, fixes: GnssFixes) -> None:
        """Take up valid positions of a receiver."""
        if self._placer is not None:
            columns = (fixes.t_s, fixes.latitude_deg, fixes.longitude_deg)
            for t_s, latitude, longitude in np.column_stack(columns).tolist():
                self._placer.add_fix(t_s, latitude, longitude)

    # ------------------------------------------------------------------ where it is

    @property
    def u95_m(self) -> float:
        """95 % uncertainty of the place; NaN while only the trip sheet says it."""
        return math.nan if self._position is None else self._position.u95_m

    @property
    def fixes_doubted(self) -> bool:
        """Whether the receiver contradicts posts or wheel, and is not gone by."""
        return self._placer is not None and self._placer.fixes_doubted

    @property
    def doubted_post(self) -> str:
        """Why the newest milepost mark does not fit where the train was; empty when it does."""
        marks = () if self._placer is None else self._placer.marks
        if not marks or marks[-1].status in (MarkUse.USED, MarkUse.NO_POST):
            return ""
        mark = marks[-1]
        meant = (
            f", it is taken for {mark.milepost}" if mark.status is MarkUse.RENUMBERED else ""
        )
        return f"milepost {mark.label} is not where the train was{meant}: is its number right?"

    @property
    def placed(self) -> bool:
        """Whether anything says where the train is."""
        return self.start_m is not None or self._position is not None

    def chainage_m(self, distance_m: float) -> float:
        """Chainage of the coupler; NaN while nothing says where the train is."""
        if not self.placed or not math.isfinite(distance_m):
            return math.nan
        if self._position is None:
            return self._predicted(distance_m)
        moved_m = distance_m - self._distance_m
        return self._position.chainage_m + self._position.facing * moved_m

    def _predicted(self, distance_m: float) -> float:
        return (self.start_m or 0.0) + self.direction * distance_m

    @property
    def _going(self) -> int:
        """+1 moving (or last moved) up the chainage: a train that sets back has other things
        ahead."""
        return self.direction if self._position is None else self._position.direction

    def next_post(self, distance_m: float) -> tuple[Milepost, float] | None:
        """The next milepost and the metres to it."""
        s_m = self.chainage_m(distance_m)
        if not math.isfinite(s_m):
            return None
        post = self.route.next_milepost(s_m, self._going)
        return None if post is None else (post, abs(post.s_m - s_m))

    def coming(self, distance_m: float, *, within_m: float = 3000.0) -> list[Coming]:
        """What comes in the next stretch, nearest first."""
        s_m = self.chainage_m(distance_m)
        if not math.isfinite(s_m):
            return []
        ahead = self.route.ahead(s_m, self._going, within_m, _SHOWN)
        return [Coming(metres, f.kind, self._words(f)) for metres, f in ahead]

    def _words(self, feature: Feature) -> str:
        if feature.kind == "grade" and feature.number is not None:
            slope = 100.0 * feature.number * self._going
            return "level" if abs(slope) < 0.005 else f"grade {slope:+.2f} %".replace("-", "−")
        if feature.kind == "speed_limit" and feature.number is not None:
            return f"limit {feature.value}"
        if feature.kind == "curve" and feature.curve is not None:
            hand = feature.curve.hand * self._going
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
        found = self.route.features(low, high, _SHOWN - {"grade", "curve", "speed_limit"})
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
