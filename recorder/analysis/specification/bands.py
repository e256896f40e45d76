"""Stretches joined into speed bands over all runs."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.sentence import between, join, say
from recorder.analysis.specification.verdicts import Verdict, judge_margin
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured, pooled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.stretches.specification import Specification

__all__ = ["Band", "refusal_words", "refusals_of", "speed_bands", "weight_of"]

LEAST_FOR_LINE: Final = 4
MOST_REASONS: Final = 2
"""In a line; the table of stretches has them all."""

_OWN: Final = frozenset({
    CauseKind.RANDOM, CauseKind.WANDER, CauseKind.GRADE, CauseKind.ACCELERATION,
})  # fmt: skip
"""Of a stretch by itself; neighbours share some of the wander."""
QUIETEST_REL: Final = 1e-3
"""A floor of 0.1 % of the pull keeps one quiet stretch from outweighing a whole band."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One speed band over all runs."""

    low_m_s: float
    high_m_s: float
    stretches: int
    speed: Measured
    pull: Measured
    power: Measured
    margin: Measured | None
    limit_kN: float
    admitted: int
    """Stretches admitted, whether or not the speed is specified; 0: the figures are of refused
    ones, and no verdict rests on them."""
    verdict: Verdict
    probability: float
    """That the specified pull is reached; NaN when there is nothing to compare with."""
    refused: int = 0
    """Stretches at these speeds that were not admitted."""
    refusals: tuple[tuple[str, int], ...] = ()
    """Why, and how many stretches each reason refused; the commonest first."""
    ridden_m_s: tuple[tuple[float, float], ...] = ()
    """Least and greatest speed of every stretch that was judged."""

    @property
    def in_words(self) -> str:
        """The verdict, with the commonest reasons where all was refused."""
        if self.verdict is Verdict.REFUSED:
            return say(f"{self.verdict} because ", refusal_words(self.refusals))
        if self.verdict is Verdict.NOT_TESTED:
            return f"{self.verdict} at those of its speeds that are specified"
        return self.verdict.value

    @property
    def refused_twice(self) -> bool:
        """Whether a stretch was refused for several reasons, and is counted under each."""
        return sum(n for _, n in self.refusals) > self.refused

    @property
    def name(self) -> str:
        """``40-50 km/h``, whatever the units on the page: bands are cut in km/h."""
        low, high = self.low_m_s * KM_H_PER_M_S, self.high_m_s * KM_H_PER_M_S
        return say(between(low, high, "km/h", 0))


def speed_bands(
    results: Sequence[StretchResult],
    width_m_s: float,
    specification: Specification | None = None,
) -> list[Band]:
    """Join stretches into speed bands of one width, starting at zero.

    Stretches that may not be judged count in a band only when it holds no judged one. Of a band
    that the specification reaches into, but no stretch, it is said that it was not tested.

    Raises
    ------
    ValueError
        The width is not above zero.
    """
    if not width_m_s > 0.0:
        msg = f"band width must be above zero, got {width_m_s} m/s"
        raise ValueError(msg)
    by_band: dict[int, list[StretchResult]] = {}
    for result in results:
        by_band.setdefault(int(result.speed.value // width_m_s), []).append(result)
    return [_band(k * width_m_s, width_m_s, by_band[k], specification) for k in sorted(by_band)]


def _band(
    low: float, width: float, held: list[StretchResult], specification: Specification | None
) -> Band:
    judged = [r for r in held if r.judged]
    # Where nothing is specified, what is admitted shows what was pulled.
    used = judged or [r for r in held if r.admission.admitted]
    used = used or [r for r in held if math.isfinite(r.pull.value + r.pull.u)] or held
    refusals = refusals_of(held)
    weights = [weight_of(r) for r in used]
    if not any(weights):
        weights = [1.0] * len(used)
    margins = [r.margin for r in used if r.margin is not None]
    margin, limit = None, math.nan
    verdict = _unjudged(low, low + width, held, specification)
    probability = math.nan
    scatter = _scatter(_about_curve(used), weights)
    if judged:
        margin = _with_scatter(pooled(margins, weights), used, scatter)
        limits = (r.limit_kN * w for r, w in zip(used, weights, strict=True))
        limit = math.fsum(limits) / math.fsum(weights)
        verdict, probability = judge_margin(margin)
    speed = pooled([r.speed for r in used], weights)
    power = pooled([r.power for r in used], weights)
    return Band(
        low_m_s=low,
        high_m_s=low + width,
        stretches=len(used),
        speed=speed,
        pull=_with_scatter(pooled([r.pull for r in used], weights), used, scatter),
        power=_with_scatter(power, used, scatter * abs(speed.value)),
        margin=margin,
        limit_kN=limit,
        admitted=sum(r.admission.admitted for r in held),
        verdict=verdict,
        probability=probability,
        refused=len(held) - len(judged),
        refusals=refusals,
        ridden_m_s=tuple(r.ridden_m_s for r in judged),
    )


def _unjudged(
    low: float, high: float, held: Sequence[StretchResult], specification: Specification | None
) -> Verdict:
    """Of a band in which nothing may be judged: refused, not tested, or not specified."""
    if any(r.margin is not None for r in held):
        return Verdict.REFUSED
    if specification is None or not specification.speed_m_s:
        return Verdict.NOT_SPECIFIED
    least, most = specification.speed_m_s[0], specification.speed_m_s[-1]
    # Of an unknown pull there is no margin, whatever was specified.
    if any(least <= r.ridden_m_s[0] and r.ridden_m_s[1] <= most for r in held):
        return Verdict.REFUSED
    return Verdict.NOT_TESTED if least < high and low < most else Verdict.NOT_SPECIFIED


def refusals_of(results: Iterable[StretchResult]) -> tuple[tuple[str, int], ...]:
    """Why stretches were refused, and how many each reason refused; the commonest first."""
    return tuple(Counter(why for r in results for why in r.admission.reasons).most_common())


def refusal_words(refusals: Sequence[tuple[str, int]]) -> str:
    """The commonest reasons in a line."""
    shown: list[str] = [say(why, f" ({n})") for why, n in refusals[:MOST_REASONS]]
    more = len(refusals) - MOST_REASONS
    rest = f"and {more} more reason{'s' * (more > 1)}"
    return join("; ", [*shown, rest] if more > 0 else shown)


def weight_of(result: StretchResult) -> float:
    """Weight of a stretch: by what is its own: what all share does not tell them apart."""
    own = math.sqrt(math.fsum(p * p for c, p in result.pull.parts.items() if c.kind in _OWN))
    return 1.0 / max(own, abs(result.pull.value) * QUIETEST_REL, 1e-6) ** 2


def _about_curve(used: Sequence[StretchResult]) -> NDArray[np.float64]:
    """Pulls (n,) less the fall of the curve inside the band: against the specification, else
    against a straight line in speed; kN."""
    if not all(math.isfinite(r.pull.value) for r in used):
        return np.zeros(len(used))
    if all(r.margin is not None for r in used):
        return np.array([r.margin.value for r in used if r.margin is not None])
    pull = np.array([r.pull.value for r in used])
    speed = np.array([r.speed.value for r in used])
    if len(used) < LEAST_FOR_LINE or not np.ptp(speed) > 0.0:
        return np.zeros(len(used))
    line = np.polynomial.Polynomial.fit(speed, pull, 1)
    return np.asarray(pull - line(speed))


def _scatter(values: NDArray[np.float64], weights: list[float]) -> float:
    """Standard uncertainty that scatter beyond what the parts allow adds to the mean of values
    (n,) (Birge ratio); 0 when there is none beyond."""
    n, w = len(values), np.array(weights)
    if n < 2:
        return 0.0
    total = float(w.sum())
    mean = float(w @ values) / total
    extra = float(w @ (values - mean) ** 2) / (n - 1) / total - 1.0 / total
    return math.sqrt(max(extra, 0.0))


def _with_scatter(mean: Measured, used: Sequence[StretchResult], u: float) -> Measured:
    if u <= 0.0:
        return mean
    return mean.with_part(_scatter_of([r.pull for r in used]), u, dof=len(used) - 1)


def _scatter_of(items: Sequence[Measured]) -> UncertaintyCause:
    """The scatter of these stretches and no others; of pull, power and margin alike."""
    causes = {c for item in items for c in item.parts}
    own = sorted(c.label for c in causes if c.kind in _OWN)
    digest = hashlib.sha256("+".join(own).encode()).hexdigest()
    return UncertaintyCause(CauseKind.SCATTER, digest[:8])
