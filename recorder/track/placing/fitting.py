"""One run against one route: which post each mark meant, and how the wheel erred meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.track.placing.anchors import (
    GATE,
    FixAnchors,
    GnssFixes,
    MarkAnchors,
    PlacingOptions,
    match_marks,
)
from recorder.track.placing.consensus import ChainageLine, agreed_lines, unlabelled_lines
from recorder.track.placing.smoother import (
    Knots,
    Noise,
    Observations,
    Smoothed,
    filter_run,
    observation_rows,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.placing.wheel_track import WheelTrack
    from recorder.track.route.route import Route

__all__ = ["Fitted", "Problem"]

_ROUNDS: Final = 30
_WRONG: Final = GATE**2 + 9.0
"""What it costs a line to call a mark wrong: more than to accept one at the gate."""
_SLIP: Final = 9.0
_CONTRARY: Final = 50.0
"""What it costs a line to run against the stated direction or start: two wrong marks."""
_FEW: Final = 3
_T_DOF: Final = 5.0
_DENSE_M: Final = 250.0
_MOST_KNOTS: Final = 4000


@dataclass
class Fitted:
    """One line, worked out: what each mark meant and how well it fits."""

    line: ChainageLine
    noise: Noise
    reaction_sd_s: float
    gnss_sd_m: float
    post_m: NDArray[np.float64]
    used: NDArray[np.bool_]
    renumbered: NDArray[np.float64]
    expected_m: NDArray[np.float64]
    """(n marks,) chainage at the key less the mean delay, by a fit without the mark itself."""
    sd_m: NDArray[np.float64]
    mark_weight: NDArray[np.float64]
    fix_used: NDArray[np.bool_]
    fix_weight: NDArray[np.float64]


class Problem:
    """One run to be placed: everything that does not change from one try to the next."""

    def __init__(
        self,
        route: Route,
        track: WheelTrack,
        marks: Sequence[Mark],
        gnss: GnssFixes | None,
        options: PlacingOptions,
    ) -> None:
        self.route, self.track, self.options = route, track, options
        self.marks = MarkAnchors.of(route, track, marks, options)
        self.fixes = FixAnchors.of(route, track, gnss)
        self.posts_m = np.unique([p.s_m for p in route.mileposts])
        spacing = float(np.median(np.diff(self.posts_m))) if self.posts_m.size > 1 else 1600.0
        self.width_m = min(150.0, 0.25 * spacing)
        self.anchor_t_s = np.concatenate((self.marks.t_s, self.fixes.t_s))
        self.order = np.argsort(self.anchor_t_s, kind="stable")

    # -- a first line -------------------------------------------------------------------------

    def lines(self) -> list[ChainageLine]:
        """Lines worth trying, most promising first; none when nothing ties the run down."""
        o, m = self.options, self.marks
        ways: tuple[int, ...] = (1, -1) if o.way != -1 else (-1, 1)
        pairs = [(m.d_m[i], s, 1.0 / own.size) for i, own in enumerate(m.labelled) for s in own]
        pairs += [(d, s, 1.0) for d, s in zip(self.fixes.d_m, self.fixes.s_m, strict=True)]
        start = o.start_chainage_m
        if start is not None:
            pairs.append((float(self.track.d_m[0]), start, 0.5))
        if len(pairs) == 1 and o.way is not None:
            ways = (o.way,)
        found: list[ChainageLine] = []
        if len(pairs) > 1 or (pairs and o.way is not None):
            table = np.array(pairs, dtype=np.float64)
            found = agreed_lines(
                *table.T, ways=ways, scale=(o.scale, o.u_scale), width_m=self.width_m
            )
        weak = not found or found[0].votes < 0.9 * (len(m) + len(self.fixes))
        if weak and start is not None and len(m):
            found += unlabelled_lines(
                m.d_m - self.track.d_m[0],
                self.posts_m,
                ways=ways,
                scale=(o.scale, o.u_scale),
                start=(start, o.u_start_m, float(self.track.d_m[0])),
                width_m=self.width_m,
            )
        if found:
            likely = [f for f in found if f.votes > 0.3 * max(g.votes for g in found)]
            clear = likely[0].votes > 0.9 * (len(m) + len(self.fixes))
            return likely[:1] if clear else likely
        if start is not None and o.way is not None:
            here = start - o.way * o.scale * float(self.track.d_m[0])
            return [ChainageLine(way=o.way, scale=o.scale, start_m=here, votes=0.0)]
        return []

    # -- fitting ------------------------------------------------------------------------------

    def noise(self) -> Noise:
        """Noise of the states before the marks have said anything."""
        o = self.options
        return Noise(
            reaction_bias_s=o.u_reaction_s,
            gnss_slow_m=o.gnss_slow_m,
            gnss_delay_s=o.u_gnss_delay_s,
        )

    def first(self, line: ChainageLine, noise: Noise) -> tuple[Noise, tuple[float, float]]:
        """Noise and mean of the first states, relative to `line`."""
        o = self.options
        prior = (0.0, (o.scale - line.scale) / line.scale)
        noise = replace(noise, first_scale=o.u_scale / line.scale)
        if o.start_chainage_m is None:
            return noise, prior
        if self.start_doubted(line):
            return noise, prior
        nominal = float(line.chainage(self.track.d_m[:1])[0])
        noise = replace(noise, first_distance_m=o.u_start_m)
        return noise, (o.start_chainage_m - nominal, prior[1])

    def start_doubted(self, line: ChainageLine) -> bool:
        """Whether the stated start is far from where the marks put it."""
        o = self.options
        if o.start_chainage_m is None or len(self.marks) + len(self.fixes) < _FEW:
            return False
        nominal = float(line.chainage(self.track.d_m[:1])[0])
        return abs(o.start_chainage_m - nominal) > 4.0 * o.u_start_m

    def knots(self, line: ChainageLine, t_s: NDArray[np.float64]) -> Knots:
        """Knots at sorted times; the first carries what was rolled since the run began."""
        times = np.concatenate((self.track.t_s[:1], t_s))
        lost = np.zeros(t_s.size)
        for gap in self.track.breaks:
            i = int(np.searchsorted(t_s, gap.t_s))
            if i < t_s.size:
                lost[i] += gap.u_m**2
        return Knots(
            t_s=t_s,
            moved_m=np.diff(line.chainage(self.track.distance(times))),
            rolled_m=line.scale * np.diff(self.track.path(times)),
            jump_var_m2=lost,
        )

    def observations(self, fit: Fitted) -> Observations:
        """What is seen at the anchors, in order of time."""
        m, x = self.marks, self.fixes
        way = fit.line.way * fit.line.scale
        speed = way * np.concatenate((m.speed_m_s, x.speed_m_s))
        seen = np.concatenate((fit.post_m, x.s_m))
        nominal = fit.line.chainage(np.concatenate((m.d_m, x.d_m)))
        variance = np.concatenate(
            (self.mark_variance(fit) / fit.mark_weight, fit.gnss_sd_m**2 / fit.fix_weight)
        )
        used = np.concatenate((fit.used, fit.fix_used))
        gnss = np.concatenate((np.zeros(len(m), np.bool_), np.ones(len(x), np.bool_)))
        k = self.order
        return Observations(
            z_m=np.where(used, seen - nominal, 0.0)[k],
            variance_m2=np.where(used, variance, np.inf)[k],
            speed_m_s=speed[k],
            gnss=gnss[k],
        )

    def mark_variance(self, fit: Fitted) -> NDArray[np.float64]:
        """Variance of one mark's place, m²: hand and eye."""
        hand = self.marks.speed_m_s * fit.reaction_sd_s
        return np.asarray(hand**2 + self.options.sighting_m**2)

    def begin(self, line: ChainageLine) -> Fitted:
        """Match by the line alone."""
        n, k = len(self.marks), len(self.fixes)
        expected = line.chainage(self.marks.d_m)
        reach = np.full(n, 0.5 * self.width_m)
        post, used, renumbered = match_marks(self.marks, self.posts_m, expected, reach)
        return Fitted(
            line=line, noise=self.noise(), reaction_sd_s=self.options.reaction_sd_s,
            gnss_sd_m=self.options.gnss_sd_m, post_m=post, used=used, renumbered=renumbered,
            expected_m=expected, sd_m=reach / GATE, mark_weight=np.ones(n),
            fix_used=np.abs(self.fixes.s_m - line.chainage(self.fixes.d_m)) < self.width_m,
            fix_weight=np.ones(k),
        )  # fmt: skip

    def run_filter(self, fit: Fitted, *, smooth: bool = True) -> Smoothed:
        """Filter over the anchors alone."""
        knots = self.knots(fit.line, self.anchor_t_s[self.order])
        noise, first = self.first(fit.line, fit.noise)
        return filter_run(knots, self.observations(fit), noise, first=first, smooth=smooth)

    def settle(self, fit: Fitted) -> Fitted:
        """Fit and match in turn until no mark changes its post."""
        if not len(self.marks) and not len(self.fixes):
            return fit
        for _ in range(_ROUNDS):
            before = (fit.post_m[fit.used], fit.used.copy(), fit.fix_used.copy())
            self._round(fit)
            same = np.array_equal(before[1], fit.used) and np.array_equal(
                before[2], fit.fix_used
            )
            if same and np.allclose(before[0], fit.post_m[fit.used]):
                break
        return fit

    def _round(self, fit: Fitted) -> None:
        """Fit once, then match and weigh every anchor against a fit without itself."""
        states = self.run_filter(fit)
        seen = self.observations(fit)
        back = np.argsort(self.order)
        h = observation_rows(seen)
        fitted = np.einsum("ij,ij->i", h, states.x)[back]
        spread = np.einsum("ij,ijk,ik->i", h, states.p, h)[back]
        z, variance = seen.z_m[back], seen.variance_m2[back]
        n = len(self.marks)
        base = np.concatenate(
            (self.mark_variance(fit), np.full(len(self.fixes), fit.gnss_sd_m**2))
        )
        in_fit = np.isfinite(variance)
        leverage = spread / np.where(in_fit, variance, np.inf)
        # Taking one observation out of a fit: its residual grows by 1/(1 − leverage).
        rest = 1.0 - np.minimum(leverage, 0.999)
        predicted = np.where(in_fit, z - (z - fitted) / rest, fitted)
        sd = np.sqrt(base + spread / rest)
        fit.expected_m = fit.line.chainage(self.marks.d_m) + predicted[:n]
        fit.sd_m = sd[:n]
        reach = np.minimum(GATE * sd[:n], 3.0 * self.width_m)
        fit.post_m, fit.used, fit.renumbered = match_marks(
            self.marks, self.posts_m, fit.expected_m, reach
        )
        misfit = (fit.post_m - fit.expected_m) / fit.sd_m
        fit.mark_weight = np.where(fit.used, _weight(misfit**2), 1.0)
        gap = self.fixes.s_m - fit.line.chainage(self.fixes.d_m) - predicted[n:]
        misfit = gap / sd[n:]
        fit.fix_used = np.abs(misfit) < GATE
        fit.fix_weight = np.where(fit.fix_used, _weight(misfit**2), 1.0)

    def best(self) -> Fitted | None:
        """The settled fit that explains the marks best; ``None`` without any tie."""
        tried = [self.settle(self.begin(line)) for line in self.lines()]
        return min(tried, key=self.cost) if tried else None

    def cost(self, fit: Fitted) -> float:
        """Lower is better: squared misfits, and what it takes to call a mark wrong.

        Numbers that count themselves up stay wrong after one doubled or skipped key, so it is
        a change of the difference between keyed and posted number that costs, not each mark.
        """
        misfit = ((fit.post_m - fit.expected_m) / fit.sd_m) ** 2
        total = float(np.sum(np.where(fit.used, misfit, _WRONG)))
        total += _WRONG * float(np.sum(~fit.fix_used))
        shift = self.marks.number - self.post_number(fit.post_m)
        shift = shift[fit.used & np.isfinite(shift)]
        if self.options.way is not None and fit.line.way != self.options.way:
            total += _CONTRARY
        if self.start_doubted(fit.line):
            total += _CONTRARY
        return total + _SLIP * float(np.sum(np.diff(shift, prepend=0.0) != 0.0))

    def post_number(self, post_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Number on the post at each chainage; NaN where there is none."""
        numbers = {p.s_m: p.number for p in self.route.mileposts}
        found = [numbers.get(s) for s in post_m.tolist()]
        return np.array([np.nan if n is None else n for n in found], dtype=np.float64)

    def dense(self, fit: Fitted) -> tuple[Knots, Smoothed]:
        """States on a grid fine enough to draw straight lines between."""
        track = self.track
        path = track.path(track.t_s)
        step = max(_DENSE_M, float(path[-1]) / _MOST_KNOTS)
        at = np.arange(step, float(path[-1]), step)
        grid = track.t_s[np.searchsorted(path, at)]
        broken = [b.t_s for b in track.breaks]
        around = np.array([x for b in broken for x in (b - 1e-3, b)])
        ends = track.t_s[[0, -1]]
        extra = np.unique(np.concatenate((ends, grid, track.turns_s, around)))
        anchors = self.anchor_t_s[self.order]
        t = np.concatenate((anchors, extra))
        order = np.argsort(t, kind="stable")
        seen = self.observations(fit)
        blank = np.zeros(extra.size)
        joined = Observations(
            z_m=np.concatenate((seen.z_m, blank))[order],
            variance_m2=np.concatenate((seen.variance_m2, blank + np.inf))[order],
            speed_m_s=np.concatenate((seen.speed_m_s, blank))[order],
            gnss=np.concatenate((seen.gnss, blank > 0))[order],
        )
        knots = self.knots(fit.line, t[order])
        noise, first = self.first(fit.line, fit.noise)
        return knots, filter_run(knots, joined, noise, first=first)


def _weight(t2: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.minimum(1.0, (_T_DOF + 1.0) / (_T_DOF + t2)))
