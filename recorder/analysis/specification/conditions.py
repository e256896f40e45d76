"""Unlike conditions are never pooled unsaid: a verdict by run and by condition, and whether the
runs agree.

The cells of a campaign are its runs, parted where the rail changed. Within each speed band the
margins of the cells are held against one common margin by generalised least squares with their
full covariance, so that what all share (one certificate, one mass) cannot make them differ:
``Q = (d − μ)ᵀ C⁻¹ (d − μ)`` (W. G. Cochran, Biometrics 10, 1954, from memory), over its degrees
of freedom against Fisher's F, since the covariance is estimated. The least probability of all
bands, times their number (Bonferroni), is the probability of runs that differ so much by chance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import linalg, stats

from recorder.analysis.specification.bands import Band, speed_bands
from recorder.analysis.specification.overall import Overall, judge_bands
from recorder.analysis.specification.verdicts import Verdict
from recorder.analysis.stretches.admission_record import CriterionKind
from recorder.analysis.stretches.stretch_results import StretchResult

if TYPE_CHECKING:
    from recorder.analysis.uncertainty.measured import Measured

__all__ = [
    "Conditions",
    "Homogeneity",
    "PartVerdict",
    "conditions_of",
    "in_view_of_conditions",
    "rail_of",
]

DISAGREE: Final = 0.01
"""Runs that differ so much by chance are one in a hundred: then they are not pooled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartVerdict:
    """The verdict of one part of a campaign: a run, a condition, or both."""

    what: str
    """``run`` or ``rail``."""
    value: str
    runs: tuple[str, ...]
    stretches: int
    overall: Overall
    bands: tuple[Band, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Homogeneity:
    """Whether the runs agree."""

    agree: bool | None
    """``None`` when fewer than two cells share a band."""
    probability: float
    """Of so great a difference by chance; NaN when it cannot be asked."""
    bands: int
    """Bands in which cells could be compared."""
    cells: tuple[str, ...]

    @property
    def in_words(self) -> str:
        """One sentence, less its stop."""
        if self.agree is None:
            return (
                "no two runs or conditions share a speed band: whether they agree is not known"
            )
        chance = "below 0.0001" if self.probability < 1e-4 else f"{self.probability:.2g}"
        held = f"probability of such a difference by chance {chance}"
        return f"the runs {'agree' if self.agree else 'do not agree'} ({held})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Verdicts by run and by rail, and whether they may be joined."""

    by_run: tuple[PartVerdict, ...]
    by_rail: tuple[PartVerdict, ...]
    homogeneity: Homogeneity

    @property
    def parted(self) -> bool:
        """Whether there is more than one run or rail."""
        return len(self.by_run) > 1 or len(self.by_rail) > 1


def rail_of(result: StretchResult) -> str:
    """``dry``, ``wet`` or ``not known``, as admission found it."""
    return next(
        (c.value for c in result.admission.criteria if c.kind is CriterionKind.RAIL),
        "not known",
    )


def conditions_of(results: Sequence[StretchResult], band_m_s: float) -> Conditions:
    """Part the judged stretches of a campaign by run and by rail, and ask whether they agree."""
    judged = [r for r in results if r.judged]
    runs = list(dict.fromkeys(r.extent.run for r in judged))
    rails = list(dict.fromkeys(rail_of(r) for r in judged))
    by_run = tuple(
        _part("run", name, [r for r in judged if r.extent.run == name], band_m_s)
        for name in runs
    )
    by_rail = tuple(
        _part("rail", rail, [r for r in judged if rail_of(r) == rail], band_m_s)
        for rail in rails
    )
    return Conditions(
        by_run=by_run, by_rail=by_rail, homogeneity=_homogeneity(judged, band_m_s)
    )


def in_view_of_conditions(overall: Overall, conditions: Conditions) -> Overall:
    """The one answer, if there can be one: runs that do not agree are not pooled.

    They still have one when every part by itself has the same.
    """
    if conditions.homogeneity.agree is not False:
        return overall
    parts = conditions.by_rail if len(conditions.by_rail) > 1 else conditions.by_run
    words = {p.overall.verdict for p in (*conditions.by_run, *parts)}
    if words in ({Verdict.MEETS}, {Verdict.DOES_NOT_MEET}):
        return Overall(
            verdict=words.pop(),
            reasons=("every run by itself; the runs do not agree", *overall.reasons),
            margin=overall.margin,
        )
    reasons = tuple(f"{p.what} {p.value}: {p.overall.verdict}" for p in parts)
    return Overall(
        verdict=Verdict.DISAGREE, reasons=(conditions.homogeneity.in_words, *reasons)
    )


def _part(what: str, value: str, held: Sequence[StretchResult], band_m_s: float) -> PartVerdict:
    bands = tuple(speed_bands(held, band_m_s))
    return PartVerdict(
        what=what,
        value=value,
        runs=tuple(dict.fromkeys(r.extent.run for r in held)),
        stretches=len(held),
        overall=judge_bands(bands),
        bands=bands,
    )


def _homogeneity(judged: Sequence[StretchResult], band_m_s: float) -> Homogeneity:
    cells: dict[tuple[str, str], list[StretchResult]] = {}
    for result in judged:
        cells.setdefault((result.extent.run, rail_of(result)), []).append(result)
    by_low: dict[float, list[Band]] = {}
    for held in cells.values():
        for band in speed_bands(held, band_m_s):
            by_low.setdefault(band.low_m_s, []).append(band)
    chances = [_chance(bands) for bands in by_low.values()]
    known = [p for p in chances if math.isfinite(p)]
    probability = min(1.0, min(known) * len(known)) if known else math.nan
    return Homogeneity(
        agree=None if not known else probability >= DISAGREE,
        probability=probability,
        bands=len(known),
        cells=tuple(f"{run}, rail {rail}" for run, rail in cells),
    )


def _chance(bands: Sequence[Band]) -> float:
    """Probability that the margins of the cells in one band differ so much by chance; NaN for one
    cell alone."""
    margins = [
        b.margin.scaled(100.0 / b.limit_kN, "%")
        for b in bands
        if b.margin is not None and b.limit_kN > 0.0 and math.isfinite(b.margin.u)
    ]
    if len(margins) < 2:
        return math.nan
    values = np.array([m.value for m in margins])
    covariance = _covariance(margins)
    ones = np.ones(len(values))
    factor = linalg.cho_factor(covariance + 1e-12 * np.trace(covariance) * np.eye(len(values)))
    weighted = linalg.cho_solve(factor, np.column_stack([ones, values]))
    mean = float(ones @ weighted[:, 1]) / float(ones @ weighted[:, 0])
    q = float((values - mean) @ (weighted[:, 1] - mean * weighted[:, 0]))
    freedom = len(values) - 1
    dof = min(m.effective_dof for m in margins)
    return float(stats.f.sf(max(q, 0.0) / freedom, freedom, min(dof, 1e6)))


def _covariance(margins: Sequence[Measured]) -> np.ndarray:
    """Covariance (m, m) of figures by the causes they share."""
    causes = list(dict.fromkeys(c for m in margins for c in m.parts))
    parts = np.array([[m.parts.get(c, 0.0) for c in causes] for m in margins])
    return np.asarray(parts @ parts.T)
