"""The one answer over all speed bands, with what decided it.

``meets`` needs every band to meet (an intersection-union test keeps its 5 %); ``does not meet``
needs at least one band, or their weighted mean, to fail at 5 % divided by the number of such
tests (Bonferroni), so that a locomotive that meets is not condemned because it was tested in
many bands.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.sentence import between, join, say
from calibration.quantities.written import many
from recorder.analysis.specification.verdicts import (
    RISK,
    StartingVerdict,
    Verdict,
    judge_margin,
    judge_starting,
)
from recorder.analysis.uncertainty.measured import Measured, pooled

if TYPE_CHECKING:
    from recorder.analysis.plausibility.doubt import Doubt
    from recorder.analysis.specification.bands import Band
    from recorder.analysis.stretches.specification import Specification

__all__ = [
    "Overall",
    "in_view_of_counts",
    "in_view_of_doubts",
    "judge_all",
    "judge_bands",
    "untested",
]

MOST_REASONS: Final = 4
NARROW_M_S: Final = 1.0
"""Specified speeds not ridden over less than this are not missed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """The one answer."""

    verdict: Verdict
    reasons: tuple[str, ...] = field(default=())
    margin: Measured | None = None
    """Weighted mean margin over all bands, relative to the specified pull, per cent."""


def judge_all(
    bands: Sequence[Band], starting: Measured | None, spec: Specification | None
) -> Overall:
    """The one answer: pull against speed, the starting pull, and what was never tested."""
    if spec is None:
        return Overall(
            verdict=Verdict.NO_SPECIFICATION, reasons=("the trip sheet states none",)
        )
    limit = spec.starting_pull_kN
    started = judge_starting(starting, limit)
    reason = () if limit is None else (f"starting pull: {started}",)
    if not spec.speed_m_s:
        shown = started is StartingVerdict.MEETS
        return Overall(verdict=Verdict.MEETS if shown else Verdict.CANNOT_TELL, reasons=reason)
    gaps = untested(bands, spec)
    if gaps:
        k = KM_H_PER_M_S
        ranges = [say(between(a * k, b * k, "km/h", 0)) for a, b in gaps]
        reason = (say("specified but not tested: ", join(" and ", ranges)), *reason)
    running = judge_bands(bands)
    return replace(running, reasons=(*running.reasons, *reason))


def in_view_of_counts(overall: Overall, unmeasured: Sequence[str]) -> Overall:
    """No verdict where no run measured pull and speed: counts have no kilonewtons."""
    if not unmeasured or overall.verdict is Verdict.NO_SPECIFICATION:
        return overall
    return Overall(verdict=Verdict.NOT_MEASURED, reasons=tuple(unmeasured))


def in_view_of_doubts(overall: Overall, doubts: Sequence[Doubt]) -> Overall:
    """No verdict while a doubt about a record stands."""
    standing = tuple(d.text for d in doubts if d.stands)
    if not standing or overall.verdict is Verdict.NO_SPECIFICATION:
        return overall
    return Overall(verdict=Verdict.DOUBTED, reasons=standing)


def untested(bands: Sequence[Band], spec: Specification) -> list[tuple[float, float]]:
    """Ranges (m/s) of the specified speeds that no judged band covers, in order.

    A band counts over the speeds that were ridden in it, not over its whole width. Ranges
    narrower than 1 m/s are left out.
    """
    if not spec.speed_m_s:
        return []
    at, top = spec.speed_m_s[0], spec.speed_m_s[-1]
    out = []
    judged = sorted(r for b in bands if b.margin is not None for r in b.ridden_m_s)
    for low, high in [*judged, (top, math.inf)]:
        if min(low, top) - at > NARROW_M_S:
            out.append((at, min(low, top)))
        at = max(at, high)
    return out


def judge_bands(bands: Sequence[Band]) -> Overall:
    """The one answer of some bands, by pull against speed alone."""
    judged = [(b, b.margin) for b in bands if b.margin is not None]
    if not judged:
        return _nothing_judged(bands)
    mean = _mean_margin(judged)
    tests = [(b.name, margin) for b, margin in judged]
    if mean is not None and len(judged) > 1:
        tests.append(("mean of all bands", mean))
    condemned = [
        name
        for name, margin in tests
        if judge_margin(margin, risk=RISK / len(tests))[0] is Verdict.DOES_NOT_MEET
    ]
    if condemned:
        reasons = tuple(say("below at ", n) for n in condemned)
        return Overall(verdict=Verdict.DOES_NOT_MEET, reasons=reasons, margin=mean)
    doubtful = tuple(
        say(
            "below at ",
            b.name,
            f" by itself, but not beyond what {len(tests)} tests give by chance",
        )
        if b.verdict is Verdict.DOES_NOT_MEET
        else say("not decided at ", b.name)
        for b, _ in judged
        if b.verdict is not Verdict.MEETS
    )
    if doubtful:
        return Overall(verdict=Verdict.CANNOT_TELL, reasons=doubtful, margin=mean)
    return Overall(verdict=Verdict.MEETS, reasons=("every band judged meets",), margin=mean)


def _nothing_judged(bands: Sequence[Band]) -> Overall:
    """All was refused, or nothing lies at a specified speed."""
    if not any(b.verdict is Verdict.REFUSED for b in bands):
        return Overall(
            verdict=Verdict.NOT_TESTED, reasons=("no test section lies at a specified speed",)
        )
    total: Counter[str] = Counter()
    for band in bands:
        total.update(dict(band.refusals))
    reasons: tuple[str, ...] = tuple(
        say(why, f" ({many(n, 'test section')})") for why, n in total.most_common(MOST_REASONS)
    )
    if any(b.refused_twice for b in bands):
        held = sum(b.refused for b in bands)
        reasons += (f"{many(held, 'test section')} in all, some for several reasons",)
    return Overall(verdict=Verdict.REFUSED, reasons=reasons)


def _mean_margin(judged: Sequence[tuple[Band, Measured]]) -> Measured | None:
    """Mean margin in per cent of the specified pull, weighted by its uncertainty."""
    relative = [
        margin.scaled(100.0 / b.limit_kN, "%") for b, margin in judged if b.limit_kN > 0.0
    ]
    if not relative:
        return None
    return pooled(relative, [1.0 / max(r.u, 1e-9) ** 2 for r in relative])
