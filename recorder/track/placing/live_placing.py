"""Where the train is now: placing while the run goes on.

Each milepost mark (or GNSS fix, at most one in fifteen seconds) starts a small fit over the
last marks; between them the wheel carries the position on, with an uncertainty that grows. One
fit costs some hundredths of a second a minute.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.marks.kinds import Kind
from recorder.track.placing.anchors import GnssFixes, PlacingOptions
from recorder.track.placing.fitting import Fitted, Problem
from recorder.track.placing.placement import COVERAGE, MarkFit
from recorder.track.placing.placing_result import mark_fits
from recorder.track.placing.smoother import E, K, filter_run
from recorder.track.placing.wheel_track import WheelTrack

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.route.features import Feature
    from recorder.track.route.route import Milepost, Route

__all__ = ["LivePlacer", "LivePosition"]

_STEP_S: Final = 0.5
_MARKS: Final = 30
_FIXES: Final = 40
_FIX_EVERY_S: Final = 15.0
_SETTLED: Final = 6
"""Marks used before the scale found replaces the certificate's expectation."""
_MOVING_M: Final = 2.0


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
    posted: float
    """Number by the posts, with its fraction; NaN without numbered posts."""
    next_milepost: Milepost | None
    to_next_m: float | None


@dataclass(frozen=True, slots=True)
class _Held:
    """The state after the last fit."""

    fit: Fitted
    d_m: float
    path_m: float
    s_m: float
    scale: float
    p: NDArray[np.float64]


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
        self._t = np.empty(4096)
        self._d = np.empty(4096)
        self._n = 0
        self._marks: dict[str, Mark] = {}
        self._fixes: list[tuple[float, float, float]] = []
        self._log: list[tuple[float, float, float, float]] = []
        self._held: _Held | None = None
        self._stale = True
        self._direction = 0
        self._extreme_m = 0.0
        self._path_m = 0.0
        self._last: tuple[float, float] | None = None
        self.marks: tuple[MarkFit, ...] = ()
        """How the last marks stand to the fit, newest last."""

    # -- what comes in ------------------------------------------------------------------------

    def update(self, t_s: float, d_m: float, mark: Mark | None = None) -> LivePosition | None:
        """Take the wheel's newest distance (nominal metres), and a new or revised mark.

        Returns
        -------
        LivePosition or None
            ``None`` until something ties the run to the route.
        """
        if np.isfinite(t_s) and np.isfinite(d_m):
            self._take(t_s, d_m)
        if mark is not None:
            self.add_mark(mark)
        return self.position()

    def add_mark(self, mark: Mark) -> None:
        """Take a mark or a revision of one; kinds other than milepost are passed over."""
        if mark.kind is not Kind.MILEPOST:
            return
        held = self._marks.get(mark.mark_id)
        if held is None or mark.revision > held.revision:
            self._marks[mark.mark_id] = mark
            self._stale = True

    def add_fix(self, t_s: float, latitude_deg: float, longitude_deg: float) -> None:
        """Take a valid GNSS position with the run time it was true at."""
        if self._fixes and t_s - self._fixes[-1][0] < _FIX_EVERY_S:
            return
        self._fixes.append((t_s, latitude_deg, longitude_deg))
        del self._fixes[:-_FIXES]
        self._stale = True

    def _take(self, t_s: float, d_m: float) -> None:
        if self._last is not None:
            if t_s < self._last[0]:
                return
            self._path_m += abs(d_m - self._last[1])
        self._last = (t_s, d_m)
        if self._direction == 0:
            self._extreme_m = d_m if self._n == 0 else self._extreme_m
        ahead = d_m - self._extreme_m
        if abs(ahead) > _MOVING_M or ahead * self._direction > 0:
            if abs(ahead) > _MOVING_M:
                self._direction = 1 if ahead > 0 else -1
            self._extreme_m = d_m
        if self._n and t_s - self._t[self._n - 1] < _STEP_S:
            return
        if self._n == self._t.size:
            self._t, self._d = np.resize(self._t, 2 * self._n), np.resize(self._d, 2 * self._n)
        self._t[self._n], self._d[self._n] = t_s, d_m
        self._n += 1

    # -- what comes out -----------------------------------------------------------------------

    def position(self) -> LivePosition | None:
        """Where the car is, by what has come in so far."""
        if self._last is None:
            return None
        if self._stale:
            self._refit()
        held = self._held
        if held is None:
            return None
        t, d = self._last
        way = held.fit.line.way
        nominal = way * held.fit.line.scale * (d - held.d_m)
        s = held.s_m + way * held.scale * (d - held.d_m)
        rolled = held.fit.line.scale * (self._path_m - held.path_m)
        noise = held.fit.noise
        q_scale = noise.scale_per_r100km**2 / 1.0e5
        variance = (
            held.p[E, E]
            + 2.0 * nominal * held.p[E, K]
            + nominal**2 * (held.p[K, K] + q_scale * rolled / 3.0)
            + noise.walk_m_per_rkm**2 * rolled / 1000.0
        )
        direction = way * (self._direction or 1)
        post = self._route.next_milepost(s, direction)
        return LivePosition(
            t_s=t,
            chainage_m=float(s),
            u95_m=float(COVERAGE * np.sqrt(max(variance, 0.0) + self._options.u_common_m**2)),
            facing=way,
            direction=direction,
            posted=float(self._route.posted_at(s)),
            next_milepost=post,
            to_next_m=None if post is None else abs(post.s_m - float(s)),
        )

    def ahead(
        self, within_m: float = 3000.0, kinds: Collection[str] | None = None
    ) -> list[tuple[float, Feature]]:
        """What comes next on the line: (metres to go, feature), nearest first."""
        here = self.position()
        if here is None:
            return []
        return self._route.ahead(here.chainage_m, here.direction, within_m, kinds)

    # -- fitting ------------------------------------------------------------------------------

    def _refit(self) -> None:
        self._stale = False
        live = sorted(
            (m for m in self._marks.values() if not m.withdrawn), key=lambda m: m.t_s
        )[-_MARKS:]
        times = [m.t_s for m in live] + [f[0] for f in self._fixes]
        track, options = self._window(min(times, default=0.0))
        fixes = None
        if self._fixes:
            t, lat, lon = np.array(self._fixes).T
            fixes = GnssFixes(t_s=t, latitude_deg=lat, longitude_deg=lon)
        problem = Problem(self._route, track, live, fixes, options)
        fit = problem.best()
        if fit is None:
            self._held = None
            return
        self.marks = tuple(mark_fits(problem, fit))
        self._hold(problem, fit)

    def _window(self, first_s: float) -> tuple[WheelTrack, PlacingOptions]:
        """Wheel track from a little before the first mark still used, and what is expected
        there by the fits so far."""
        assert self._last is not None
        start = max(0, int(np.searchsorted(self._t[: self._n], first_s - 5.0)) - 1)
        t, d = self._t[start : self._n], self._d[start : self._n]
        if self._last[0] > t[-1]:
            t, d = np.append(t, self._last[0]), np.append(d, self._last[1])
        if t.size == 1:
            t, d = np.append(t, t[0] + 1e-3), np.append(d, d[0])
        options = self._options
        if start > 0:
            options = replace(options, start_chainage_m=None)
        known = [entry for entry in self._log if entry[0] <= t[0]]
        if start > 0 and known:
            at, s, u, scale = known[-1]
            way = self._held.fit.line.way if self._held else (options.way or 1)
            rolled = float(np.interp(t[0], self._t[: self._n], self._d[: self._n])) - float(
                np.interp(at, self._t[: self._n], self._d[: self._n])
            )
            options = replace(
                options,
                way=way,
                start_chainage_m=s + way * scale * rolled,
                u_start_m=max(10.0, 3.0 * u),
                scale=scale,
                u_scale=max(1e-3, 0.1 * self._options.u_scale),
            )
        return WheelTrack(t, d), options

    def _hold(self, problem: Problem, fit: Fitted) -> None:
        assert self._last is not None
        now = np.array([self._last[0]])
        anchors = problem.anchor_t_s[problem.order]
        seen = problem.observations(fit)
        late = anchors > now[0]
        if late.any():
            now = np.array([float(anchors[-1])])
        times = np.concatenate((anchors, now))
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
        d = float(problem.track.distance(now[0]))
        s = float(fit.line.chainage(np.array([d]))[0] + x[E])
        scale = fit.line.scale * (1.0 + float(x[K]))
        self._held = _Held(fit, d, self._path_m, s, scale, p)
        if fit.used.sum() >= _SETTLED:
            self._log.append((float(now[0]), s, float(np.sqrt(max(p[E, E], 0.0))), scale))
