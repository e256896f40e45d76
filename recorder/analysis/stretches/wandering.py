"""The random part of judged stretches, by the wander of the whole run."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.wander import (
    Wander,
    fast_means,
    fit_wander,
    usual_wander,
    white_variance,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.uncertainty.measured import Measured
    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["with_wander"]

PART_S: Final = 10.0
MOST_PARTS: Final = 150
"""The likelihood is worked by matrices: more parts tell little more of a slow wander."""
KNOT_M_S: Final = 1.5
"""Between knots of the curve in speed: 5 km/h, half a speed band."""
PARTS_A_KNOT: Final = 3
"""With fewer parts to a knot the curve would follow the wander itself."""
LEAST_PART: Final = 1e-3
"""Of a stretch's own: smaller parts are not carried."""


def with_wander(
    run: RunBasis, results: Sequence[StretchResult], specification: Specification | None
) -> tuple[list[StretchResult], Wander]:
    """The results, the random part of the judged ones replaced by what the run's wander gives.

    Where a stretch by itself scatters more than the wander says, the rest stays its own. Where
    nothing is judged, nobody knows what is wander and what the driver's hand: it is as usual.
    """
    judged = [i for i, r in enumerate(results) if r.judged]
    if specification is None or not judged:
        return list(results), usual_wander()
    wander = _wander(run, results, judged, specification)
    start = np.array([results[i].stretch.t_start_s for i in judged])
    end = np.array([results[i].stretch.t_end_s for i in judged])
    rows = wander.parts(start, end)
    out = list(results)
    for row, i in zip(rows, judged, strict=True):
        out[i] = _with_parts(out[i], run.name, row, wander.dof)
    return out, wander


def _wander(
    run: RunBasis,
    results: Sequence[StretchResult],
    judged: Sequence[int],
    specification: Specification,
) -> Wander:
    """Of the pull of the judged stretches as a share of the specified pull, about a curve."""
    series = run.series
    speed = np.abs(series.speed_m_s)
    share = run.corrected.equivalent_pull_kN / specification.limits_kN(speed) - 1.0
    spans = [results[i].stretch.span for i in judged]
    parts = _parts(spans, share, series.step_s)
    v = np.array([float(np.mean(speed[p])) for p in parts])
    x = np.array([float(np.mean(share[p])) for p in parts])
    start, end = _edges(run, parts)
    curve = _curve(v)
    return fit_wander(start, end, x, curve, _white(spans, share, series.step_s))


def _edges(
    run: RunBasis, parts: Sequence[slice]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """When parts begin and end, s."""
    t_s, half = run.series.t_s, run.series.step_s / 2
    start = np.array([t_s[p.start] for p in parts]) - half
    return start, np.array([t_s[p.stop - 1] for p in parts]) + half


def _curve(speed_m_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Terms (m, p) of any curve in speed that bends no faster than its knots: hat functions.

    What repeats at the same speed, such as a weakness at some speeds, is no wander.
    """
    if not len(speed_m_s):
        return np.ones((0, 1))
    low, high = float(speed_m_s.min()), float(speed_m_s.max())
    most = max(1, len(speed_m_s) // PARTS_A_KNOT)
    knots = min(1 + round((high - low) / KNOT_M_S), most)
    if knots < 2:
        return np.ones((len(speed_m_s), 1))
    at = np.linspace(low, high, knots)
    hats = np.column_stack([np.interp(speed_m_s, at, row) for row in np.eye(knots)])
    return np.asarray(hats[:, hats.sum(axis=0) > 0.5])


def _parts(spans: Sequence[slice], share: NDArray[np.float64], step_s: float) -> list[slice]:
    """The spans in even parts without a hole, so short that no more than some hundreds are."""
    seconds = sum(s.stop - s.start for s in spans) * step_s
    bins = max(1, round(max(PART_S, seconds / MOST_PARTS) / step_s))
    out = []
    for span in spans:
        number = max(1, round((span.stop - span.start) / bins))
        edges = np.linspace(span.start, span.stop, number + 1).round().astype(int)
        out += [slice(int(a), int(b)) for a, b in itertools.pairwise(edges) if b > a]
    return [p for p in out if np.isfinite(share[p]).all()]


def _white(spans: Sequence[slice], share: NDArray[np.float64], step_s: float) -> float:
    """Variance of a mean over one second, of noise faster than two seconds."""
    steps = [np.diff(fast_means(share[span], step_s)) for span in spans]
    return white_variance(np.concatenate([np.zeros(0), *steps]), 2.0, step_s)


def _with_parts(
    result: StretchResult, run: str, row: NDArray[np.float64], dof: float
) -> StretchResult:
    """One stretch; ``row`` (m,) are shares of the specified pull by cause."""
    own = UncertaintyCause(CauseKind.RANDOM, extent=result.extent)
    kN = row * result.limit_kN
    rest = math.sqrt(max(result.pull.parts.get(own, 0.0) ** 2 - float(kN @ kN), 0.0))
    least = LEAST_PART * float(np.abs(row).max(initial=0.0))
    causes = {
        UncertaintyCause(CauseKind.WANDER, run, Extent(run, f"wander {k}")): float(kN[k])
        for k in np.flatnonzero(np.abs(row) > least)
    }

    def changed(value: Measured, factor: float) -> Measured:
        parts = {c: p for c, p in value.parts.items() if c != own}
        if rest > 0.0:
            parts[own] = rest * factor
        parts |= {c: p * factor for c, p in causes.items()}
        dofs = {c: d for c, d in value.dof.items() if c != own or rest > 0.0}
        dofs |= dict.fromkeys(causes, dof)
        return replace(value, parts=parts, dof=dofs)

    speed = result.speed.value
    margin = result.margin
    return replace(
        result,
        pull=changed(result.pull, 1.0),
        power=changed(result.power, speed),
        margin=None if margin is None else changed(margin, 1.0),
    )
