"""Where the train is now: placing while the run goes on.

Each milepost mark, and a GNSS fix every fifteen seconds, starts a small fit over the last of them;
in between the wheel carries the position on, with an uncertainty that grows. Posts are believed
before the receiver: fixes that contradict them are not used. A fit costs some hundredths of a
second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from recorder.marks.kinds import Kind
from recorder.track.live.live_fixes import LiveFixes
from recorder.track.live.wheel_log import WheelLog
from recorder.track.placing.anchors import PlacingOptions
from recorder.track.placing.fitting import Fitted, Problem
from recorder.track.placing.placement import COVERAGE, MarkFit
from recorder.track.placing.placing_result import mark_fits
from recorder.track.placing.smoother import E, K, filter_run

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.placing.anchors import GnssFixes
    from recorder.track.placing.wheel_track import WheelTrack
    from recorder.track.route.route import Route

__all__ = ["LivePlacer", "LivePosition"]

_MARKS: Final = 30
_SETTLED: Final = 6
"""Marks used before the scale found replaces the certificate's expectation."""
_MARKS_KEPT: Final = 0.75
"""Share of the marks used without the receiver that must still fit with it: a late key may be put
right by fixes, a row of posts may not be overruled."""
_CONTRADICTED: Final = 3.0
"""Standard uncertainties between posts and fixes that no chance explains."""
_MOVED_M: Final = 500.0
"""Fixes that went with the wheel for so far are believed before a start that was only stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LivePosition:
    """The car on the line at one instant."""

    t_s: float
    chainage_m: float
    u95_m: float
    facing: int
    """+1: the locomotive's end of the train points up the chainage."""
    direction: int
    """+1 moving (or last moved) up the chainage, −1 down."""


@dataclass(frozen=True, slots=True)
class _Held:
    """The state after a fit."""

    fit: Fitted
    marks: tuple[MarkFit, ...]
    from_start: bool
    """It goes with the start that was stated."""
    t_s: float
    d_m: float
    path_m: float
    s_m: float
    scale: float
    p: NDArray[np.float64]


class _Settled(NamedTuple):
    """What an earlier fit knew, for the beginning of a later one's window."""

    t_s: float
    s_m: float
    u_m: float
    scale: float


class LivePlacer:
    """Follows one run along one route. Not thread-safe; one owner.

    Parameters
    ----------
    route
        The line.
    options
        Start and direction from the trip sheet, as far as they are known.
    """

    def __init__(self, route: Route, options: PlacingOptions | None = None) -> None:
        self._route = route
        self._options = replace(options or PlacingOptions(), tune=False)
        self._wheel = WheelLog()
        self._marks: dict[str, Mark] = {}
        self._fixes = LiveFixes(route, self._wheel)
        self._settled: list[_Settled] = []
        self._by_posts: _Held | None = None
        self._held: _Held | None = None
        self._posts_stale = True
        self._stale = True
        self.fixes_doubted = False
        """The receiver's fixes contradict the posts or the wheel, and are not used."""

    @property
    def marks(self) -> tuple[MarkFit, ...]:
        """How the last marks stand to the fit, newest last."""
        return () if self._held is None else self._held.marks

    # -- what comes in ------------------------------------------------------------------------

    def update(self, t_s: float, d_m: float) -> LivePosition | None:
        """Take the wheel's newest distance (nominal metres).

        Returns
        -------
        LivePosition or None
            ``None`` until something ties the run to the route.
        """
        if math.isfinite(t_s) and math.isfinite(d_m):
            self._wheel.take(t_s, d_m)
        return self.position()

    def add_mark(self, mark: Mark) -> None:
        """Take a mark or a revision of one; kinds other than milepost are passed over."""
        if mark.kind is not Kind.MILEPOST:
            return
        held = self._marks.get(mark.mark_id)
        if held is None or mark.revision > held.revision:
            self._marks[mark.mark_id] = mark
            self._stale = self._posts_stale = True

    def add_fix(self, t_s: float, latitude_deg: float, longitude_deg: float) -> None:
        """Take a valid GNSS position with the run time it was true at."""
        self._stale |= self._fixes.add(t_s, latitude_deg, longitude_deg)

    # -- what comes out -----------------------------------------------------------------------

    def position(self) -> LivePosition | None:
        """Where the car is, by what has come in so far."""
        if self._wheel.empty:
            return None
        if self._stale:
            self._refit()
        held = self._held
        if held is None:
            return None
        s_m, u_m = self._carried(held)
        way = held.fit.line.way
        return LivePosition(
            t_s=self._wheel.newest_s,
            chainage_m=s_m,
            u95_m=COVERAGE * u_m,
            facing=way,
            direction=way * (self._wheel.direction or 1),
        )

    def _carried(self, held: _Held) -> tuple[float, float]:
        """Chainage and standard uncertainty now, by a fit and the wheel since."""
        way, noise = held.fit.line.way, held.fit.noise
        moved_m = self._wheel.newest_m - held.d_m
        nominal = way * held.fit.line.scale * moved_m
        rolled = held.fit.line.scale * (self._wheel.path_m - held.path_m)
        q_scale = noise.scale_per_r100km**2 / 1.0e5
        variance = (
            held.p[E, E]
            + 2.0 * nominal * held.p[E, K]
            + nominal**2 * (held.p[K, K] + q_scale * rolled / 3.0)
            + noise.walk_m_per_rkm**2 * rolled / 1000.0
        )
        u_m = math.sqrt(max(float(variance), 0.0) + self._options.u_common_m**2)
        return held.s_m + way * held.scale * moved_m, u_m

    # -- fitting ------------------------------------------------------------------------------

    def _refit(self) -> None:
        """Fit to the posts alone when they have changed, then to posts and fixes together."""
        live = (m for m in self._marks.values() if not m.withdrawn)
        marks = sorted(live, key=lambda m: m.t_s)[-_MARKS:]
        if self._posts_stale:
            self._by_posts = self._fit(marks, None)
        way = self._options.way if self._by_posts is None else self._by_posts.fit.line.way
        fixes, moved_m = self._fixes.believable(way)
        joint = None if fixes is None else self._fit(marks, fixes)
        agree = joint is not None and self._agree(joint, self._by_posts, moved_m)
        self.fixes_doubted = self._fixes.astray or (joint is not None and not agree)
        chosen = joint if agree else self._by_posts
        if chosen is not None and chosen is not self._held:
            self._remember(chosen)
        self._held = chosen
        self._stale = self._posts_stale = False

    def _agree(self, joint: _Held, posts: _Held | None, moved_m: float) -> bool:
        """Whether fixes and posts tell of the same place; a row of posts may be misnumbered."""
        if posts is None:
            return True
        if joint.fit.used.sum() < _MARKS_KEPT * posts.fit.used.sum():
            return False
        meant = {m.mark_id: m.chainage_m for m in joint.marks if m.chainage_m is not None}
        shifts = [
            meant[m.mark_id] - m.chainage_m
            for m in posts.marks
            if m.chainage_m is not None and m.mark_id in meant
        ]
        shift = float(np.median(shifts)) if shifts else 0.0
        if shift and posts.from_start:
            return False  # the numbers and the start speak against the receiver
        (s_joint, u_joint), (s_posts, u_posts) = self._carried(joint), self._carried(posts)
        if abs(s_joint - s_posts - shift) <= _CONTRADICTED * math.hypot(u_joint, u_posts):
            return True
        return not posts.fit.used.any() and moved_m >= _MOVED_M

    def _fit(self, marks: list[Mark], fixes: GnssFixes | None) -> _Held | None:
        times = [m.t_s for m in marks]
        if fixes is not None:
            times.append(self._fixes.first_s)
        track, options = self._window(min(times, default=0.0))
        problem = Problem(self._route, track, marks, fixes, options)
        fit = problem.best()
        return None if fit is None else self._held_now(problem, fit)

    def _window(self, first_s: float) -> tuple[WheelTrack, PlacingOptions]:
        """Wheel track from a little before the first mark still used, and what is expected
        there by the fits so far."""
        track, whole = self._wheel.track_from(first_s - 5.0)
        start_s = float(track.t_s[0])
        known = [entry for entry in self._settled if entry.t_s <= start_s]
        if not whole and not known and self._options.start_chainage_m is not None:
            # Until marks have said better, a stated start is a witness against a wrong one.
            track, whole = self._wheel.track_from(-math.inf)
        if whole or not known:
            return track, self._options
        last = known[-1]
        way = self._held.fit.line.way if self._held else (self._options.way or 1)
        rolled = self._wheel.distance(start_s) - self._wheel.distance(last.t_s)
        options = replace(
            self._options,
            way=way,
            start_chainage_m=last.s_m + way * last.scale * rolled,
            u_start_m=max(10.0, 3.0 * last.u_m),
            scale=last.scale,
            u_scale=max(1e-3, 0.1 * self._options.u_scale),
        )
        return track, options

    def _held_now(self, problem: Problem, fit: Fitted) -> _Held:
        """The state of a fit at the newest of the wheel and the anchors."""
        anchors = problem.anchor_t_s[problem.order]
        seen = problem.observations(fit)
        now_s = max(self._wheel.newest_s, float(anchors[-1]) if anchors.size else -math.inf)
        times = np.append(anchors, now_s)
        seen = replace(
            seen,
            z_m=np.append(seen.z_m, 0.0),
            variance_m2=np.append(seen.variance_m2, np.inf),
            speed_m_s=np.append(seen.speed_m_s, 0.0),
            gnss=np.append(seen.gnss, False),
        )
        noise, first = problem.first(fit.line, fit.noise)
        states = filter_run(
            problem.knots(fit.line, times), seen, noise, first=first, smooth=False
        )
        x, p = states.x[-1], states.p[-1]
        d = float(problem.track.distance(now_s))
        return _Held(
            fit=fit,
            marks=tuple(mark_fits(problem, fit)),
            from_start=self._options.start_chainage_m is not None
            and not problem.start_doubted(fit.line),
            t_s=now_s,
            d_m=d,
            path_m=self._wheel.path_m,
            s_m=float(fit.line.chainage(np.array([d]))[0] + x[E]),
            scale=fit.line.scale * (1.0 + float(x[K])),
            p=p,
        )

    def _remember(self, held: _Held) -> None:
        if held.fit.used.sum() >= _SETTLED:
            u_m = float(np.sqrt(max(held.p[E, E], 0.0)))
            self._settled.append(_Settled(held.t_s, held.s_m, u_m, held.scale))
