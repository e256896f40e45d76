"""From a settled fit to the placement that is kept and shown."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.track.placing.placement import MarkFit, MarkUse, Placement
from recorder.track.placing.slides import EVERY_S
from recorder.track.placing.smoother import B, E, K
from recorder.track.placing.wheel_track import Break, BreakCause

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.track.placing.fitting import Fitted, Problem

__all__ = ["make_placement", "mark_fits"]

_SLOWEST_M_S: Final = 0.5
"""Below this a residual is not worth giving as time."""


def make_placement(problem: Problem, fit: Fitted) -> Placement:
    """Work the fit out on the fine grid and put everything worth telling together."""
    knots, states = problem.dense(fit)
    track, line = problem.track, fit.line
    d = track.distance(knots.t_s)
    s = line.chainage(d) + states.x[:, E]
    scale = line.scale * (1.0 + states.x[:, K])
    rolled = knots.rolled_m
    weight = rolled if rolled.sum() > 0 else np.ones(rolled.size)
    seen = tuple(mark_fits(problem, fit))
    return Placement(
        t_s=knots.t_s,
        d_m=d,
        s_m=s,
        u_m=np.sqrt(np.maximum(states.p[:, E, E], 0.0) + problem.options.u_common_m**2),
        way=line.way,
        scale=float(np.average(scale, weights=weight)),
        u_scale=float(line.scale * np.sqrt(np.average(states.p[:, K, K], weights=weight))),
        scale_first=float(scale[0]),
        scale_last=float(scale[-1]),
        reaction_s=float(problem.options.reaction_s + states.x[-1, B]),
        u_reaction_s=float(np.sqrt(states.p[-1, B, B])),
        reaction_sd_s=fit.reaction_sd_s,
        marks=seen,
        skipped=_skipped(problem, s, seen),
        gnss_used=int(fit.fix_used.sum()),
        gnss_rejected=int(problem.fixes.rejected + (~fit.fix_used).sum()),
        breaks=track.breaks,
        notes=_notes(problem, fit, s, seen),
    )


def mark_fits(problem: Problem, fit: Fitted) -> list[MarkFit]:
    """How each milepost mark stands to the fit."""
    anchors = problem.marks
    label_at = {p.s_m: p.label for p in problem.route.mileposts}
    speed = fit.line.way * fit.line.scale * anchors.speed_m_s
    out: list[MarkFit] = []
    for i, mark in enumerate(anchors.marks):
        post = fit.post_m[i]
        if not np.isfinite(post):
            out.append(
                MarkFit(
                    mark_id=mark.mark_id, t_s=mark.t_s, label=mark.value, status=MarkUse.NO_POST
                )
            )
            continue
        residual = float(fit.expected_m[i] - post)
        own = anchors.labelled[i] - fit.expected_m[i]
        moving = abs(speed[i]) > _SLOWEST_M_S
        out.append(
            MarkFit(
                mark_id=mark.mark_id,
                t_s=mark.t_s,
                label=mark.value,
                status=_status(problem, fit, i),
                milepost=label_at.get(float(post), mark.value),
                chainage_m=float(post),
                residual_m=residual,
                number_residual_m=float(-own[np.argmin(np.abs(own))]) if own.size else None,
                residual_s=float(residual / speed[i]) if moving else None,
                expected_m=float(fit.sd_m[i]),
            )
        )
    return out


def _status(problem: Problem, fit: Fitted, i: int) -> MarkUse:
    if fit.used[i]:
        return MarkUse.RENUMBERED if fit.renumbered[i] else MarkUse.USED
    anchors = problem.marks
    same = fit.used & (fit.post_m == fit.post_m[i]) & (anchors.turns == anchors.turns[i])
    near = abs(fit.expected_m[i] - fit.post_m[i]) < problem.width_m
    mark = anchors.marks[i]
    twins = [anchors.marks[j].meaning for j in np.flatnonzero(same)]
    number = mark.value != "" and mark.meaning in twins
    return MarkUse.DOUBLED if same.any() and (near or number) else MarkUse.OUTLIER


def _skipped(
    problem: Problem, s: NDArray[np.float64], seen: tuple[MarkFit, ...]
) -> tuple[str, ...]:
    met = {m.chainage_m for m in seen if m.status in (MarkUse.USED, MarkUse.RENUMBERED)}
    low, high = float(s.min()), float(s.max())
    return tuple(
        p.label for p in problem.route.mileposts if low < p.s_m < high and p.s_m not in met
    )


def _notes(
    problem: Problem, fit: Fitted, s: NDArray[np.float64], seen: tuple[MarkFit, ...]
) -> tuple[str, ...]:
    notes: list[str] = []
    if problem.options.way is not None and fit.line.way != problem.options.way:
        notes.append("the marks run against the direction on the trip sheet; they are followed")
    if problem.start_doubted(fit.line):
        stated = problem.options.start_chainage_m or 0.0
        notes.append(
            f"the run began at {s[0]:.0f} m by its marks, not at {stated:.0f} m as stated"
        )
    lost = sum(m.status in (MarkUse.OUTLIER, MarkUse.NO_POST) for m in seen)
    if lost > 0.25 * len(seen):
        notes.append(
            f"{lost} of {len(seen)} marks fit no post: doubtful; look at start and direction"
        )
    route = problem.route
    beyond = max(route.s_min - float(s.min()), float(s.max()) - route.s_max)
    if beyond > 50.0:
        notes.append(f"the run goes {beyond:.0f} m beyond the route")
    if not len(problem.marks):
        notes.append("no milepost marks")
    if not len(problem.fixes):
        notes.append("no GNSS fix on the route")
    notes += [
        f"counts were lost at {b.t_s:.1f} s; the gap is bridged to ± {2 * b.u_m:.0f} m (95 %)"
        for b in problem.track.breaks
        if b.cause is BreakCause.LOST
    ]
    return (*notes, *_slid(problem.track.breaks))


def _slid(breaks: tuple[Break, ...]) -> list[str]:
    """What was joined over slides of the wheel, in words; joins a second apart are of one."""
    joins = [b for b in breaks if b.cause is BreakCause.SLID]
    slides: list[list[Break]] = []
    for one in joins:
        if slides and one.t_s - slides[-1][-1].t_s < 2.0 * EVERY_S:
            slides[-1].append(one)
        else:
            slides.append([one])
    return [
        f"the wheel slid, spun or stood until {held[-1].t_s:.0f} s while the train ran: that is"
        f" left out of the wheel's scale, and bridged by {sum(b.add_m for b in held):+.0f} m"
        f" ± {2.0 * math.hypot(*(b.u_m for b in held)):.0f} m (95 %)"
        for held in slides
    ]
