"""Did it make its specified pull and power, at every speed, and how sure are we.

Decision rule (after JCGM 106:2012, guarded acceptance and guarded rejection): with the margin
``d = measured − specified`` and its standard uncertainty ``u``,

* ``meets`` when the probability that the true margin is at least zero is 95 % or more,
* ``does not meet`` when that probability is 5 % or less,
* ``cannot be told`` in between.

Overall, ``meets`` needs every band to meet (an intersection-union test keeps its 5 %);
``does not meet`` needs at least one band, or their weighted mean, to fail at 5 % divided by the
number of such tests (Bonferroni), so that a locomotive that meets is not condemned because it
was
tested in many bands.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from scipy.special import stdtr

from recorder.analysis.series.corrections import Corrected
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import Train
from recorder.analysis.specification.steady_stretches import Stretch
from recorder.analysis.uncertainty.instrument_uncertainty import (
    InstrumentUncertainty,
    equivalent_pull,
    mean_speed,
)
from recorder.analysis.uncertainty.measured import Measured, pooled
from recorder.marks.handling import FULL, ThrottleMark
from recorder.marks.kinds import Kind

__all__ = [
    "CANNOT_TELL",
    "DOES_NOT_MEET",
    "MEETS",
    "Band",
    "Overall",
    "Specification",
    "StretchResult",
    "bands",
    "measure_stretches",
    "overall",
    "untested",
    "verdict",
]

MEETS: Final = "meets"
DOES_NOT_MEET: Final = "does not meet"
CANNOT_TELL: Final = "cannot be told with this uncertainty"
RISK: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Specification:
    """Least drawbar pull against speed; straight lines between points, nothing beyond."""

    name: str
    speed_m_s: tuple[float, ...]
    pull_kN: tuple[float, ...]
    starting_pull_kN: float | None = None
    setting: ThrottleMark = FULL
    """Throttle or regulator setting the specification is for."""

    def limit_kN(self, speed_m_s: float) -> float:
        """Specified pull at a speed; NaN outside the points."""
        return float(
            np.interp(speed_m_s, self.speed_m_s, self.pull_kN, left=math.nan, right=math.nan)
        )

    def slope(self, speed_m_s: float) -> float:
        """Change of the specified pull per m/s at a speed; 0 outside the points."""
        step = 0.05
        low = max(speed_m_s - step, self.speed_m_s[0])
        high = min(speed_m_s + step, self.speed_m_s[-1])
        if high <= low:
            return 0.0
        return (self.limit_kN(high) - self.limit_kN(low)) / (high - low)


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchResult:
    """Figures of one steady stretch."""

    run: str
    stretch: Stretch
    speed: Measured
    pull: Measured
    """Equivalent drawbar pull, kN."""
    power: Measured
    """Equivalent drawbar power, kW."""
    margin: Measured | None
    """Pull less specified pull at the same speeds, kN; ``None`` outside the specification."""
    limit_kN: float = math.nan
    judged: bool = True
    """False when the throttle was not at the specification's setting."""


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
    verdict: str
    probability: float
    """That the specified pull is reached; NaN when there is nothing to compare with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """The one answer."""

    verdict: str
    reasons: tuple[str, ...] = field(default=())
    margin: Measured | None = None
    """Weighted mean margin over all bands, relative to the specified pull, per cent."""


def verdict(margin: Measured, *, risk: float = RISK) -> tuple[str, float]:
    """Verdict and probability that the true margin is at least zero (Student's t)."""
    u = margin.u
    if not math.isfinite(margin.value) or not math.isfinite(u):
        return CANNOT_TELL, math.nan
    if u == 0.0:
        return (MEETS, 1.0) if margin.value >= 0.0 else (DOES_NOT_MEET, 0.0)
    dof = min(margin.effective_dof, 1e6)
    probability = float(stdtr(max(dof, 1.0), margin.value / u))
    if probability >= 1.0 - risk:
        return MEETS, probability
    if probability <= risk:
        return DOES_NOT_MEET, probability
    return CANNOT_TELL, probability


def measure_stretches(
    run: str,
    series: Series,
    corrected: Corrected,
    stretches: Sequence[Stretch],
    train: Train,
    evidence: InstrumentUncertainty,
    specification: Specification | None,
) -> list[StretchResult]:
    """Equivalent pull, power and margin of each stretch, with every cause of uncertainty."""
    marked = any(m.kind is Kind.THROTTLE for m in series.marks)
    results = []
    for stretch in stretches:
        name = f"{run} {stretch.name}"
        span = (stretch.start, stretch.stop)
        pull = equivalent_pull(series, corrected, *span, train, evidence, name)
        speed = mean_speed(series, *span, evidence, name)
        margin, limit = _margin(series, span, pull, evidence, specification)
        judged = specification is not None and (
            not marked or stretch.setting.agrees(specification.setting)
        )
        results.append(
            StretchResult(
                run=run,
                stretch=stretch,
                speed=speed,
                pull=pull,
                power=pull.times(speed, "kW"),
                margin=margin if judged else None,
                limit_kN=limit,
                judged=judged,
            )
        )
    return [r for r in results if math.isfinite(r.pull.value)]


def _margin(
    series: Series,
    span: tuple[int, int],
    pull: Measured,
    evidence: InstrumentUncertainty,
    specification: Specification | None,
) -> tuple[Measured | None, float]:
    if specification is None:
        return None, math.nan
    speeds = np.abs(series.speed_m_s[slice(*span)])
    limits = np.interp(
        speeds, specification.speed_m_s, specification.pull_kN, left=np.nan, right=np.nan
    )
    if not np.isfinite(limits).any() or np.isnan(limits[np.isfinite(speeds)]).any():
        return None, math.nan
    limit = float(np.nanmean(limits))
    v = float(np.nanmean(speeds))
    # A wheel that reads fast compares with a point too far along the specification.
    moved = -specification.slope(v) * v * evidence.wheel_rel_u
    margin = Measured(pull.value - limit, "kN", pull.parts, pull.dof)
    return margin.with_part(evidence.wheel_cause, moved), limit


def bands(results: Sequence[StretchResult], width_m_s: float) -> list[Band]:
    """Join stretches into speed bands of one width, starting at zero.

    Stretches that may not be judged count in a band only when it holds no judged one.

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
    return [_band(k * width_m_s, width_m_s, by_band[k]) for k in sorted(by_band)]


def _band(low: float, width: float, held: list[StretchResult]) -> Band:
    judged = [r for r in held if r.margin is not None]
    used = judged or held
    weights = [_weight(r) for r in used]
    pull = _pool([r.pull for r in used], weights)
    margin = (
        _pool([r.margin for r in used if r.margin is not None], weights) if judged else None
    )
    limit = (
        math.fsum(r.limit_kN * w for r, w in zip(used, weights, strict=True))
        / math.fsum(weights)
        if judged
        else math.nan
    )
    word, probability = ("no specification here", math.nan)
    if margin is not None:
        word, probability = verdict(margin)
    return Band(
        low_m_s=low,
        high_m_s=low + width,
        stretches=len(used),
        speed=_pool([r.speed for r in used], weights),
        pull=pull,
        power=_pool([r.power for r in used], weights),
        margin=margin,
        limit_kN=limit,
        verdict=word,
        probability=probability,
    )


def _own(value: Measured, stretch: str) -> float:
    return math.sqrt(math.fsum(p * p for c, p in value.parts.items() if c.endswith(stretch)))


def _weight(result: StretchResult) -> float:
    own = _own(result.pull, f"{result.run} {result.stretch.name}")
    # A floor of 0.1 % keeps one quiet stretch from speaking for the whole band.
    return 1.0 / max(own, abs(result.pull.value) * 1e-3, 1e-6) ** 2


def _pool(items: list[Measured], weights: list[float]) -> Measured:
    """Weighted mean; scatter beyond what the parts allow widens it (Birge ratio)."""
    mean = pooled(items, weights)
    n = len(items)
    if n < 2:
        return mean
    total = math.fsum(weights)
    chi2 = math.fsum(
        w * (item.value - mean.value) ** 2 for item, w in zip(items, weights, strict=True)
    )
    extra = chi2 / (n - 1) / total - 1.0 / total
    if extra <= 0.0:
        return mean
    names = "+".join(sorted({c for i in items for c in i.parts if c.startswith("random ")}))
    return mean.with_part(
        f"scatter between stretches {hash_name(names)}", math.sqrt(extra), dof=n - 1
    )


def hash_name(text: str) -> str:
    """A short stable name for a long one."""
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def overall(held: Sequence[Band]) -> Overall:
    """The one answer over all bands, with what decided it."""
    judged = [b for b in held if b.margin is not None]
    if not judged:
        return Overall(
            verdict=CANNOT_TELL,
            reasons=(
                "no steady stretch at the specified setting lies inside the specification",
            ),
        )
    relative = [
        b.margin.scaled(100.0 / b.limit_kN, "%")
        for b in judged
        if b.margin is not None and b.limit_kN > 0.0
    ]
    mean = pooled(relative, [1.0 / max(r.u, 1e-9) ** 2 for r in relative]) if relative else None
    tests = [(f"{_range(b)}", b.margin) for b in judged if b.margin is not None]
    if mean is not None and len(judged) > 1:
        tests.append(("mean of all bands", mean))
    condemned = [
        name
        for name, margin in tests
        if verdict(margin, risk=RISK / len(tests))[0] == DOES_NOT_MEET
    ]
    if condemned:
        return Overall(
            verdict=DOES_NOT_MEET,
            reasons=tuple(f"below at {n}" for n in condemned),
            margin=mean,
        )
    if all(b.verdict == MEETS for b in judged):
        return Overall(verdict=MEETS, reasons=("every band judged meets",), margin=mean)
    doubtful = tuple(f"not decided at {_range(b)}" for b in judged if b.verdict != MEETS)
    return Overall(verdict=CANNOT_TELL, reasons=doubtful, margin=mean)


def untested(held: Sequence[Band], spec: Specification) -> list[tuple[float, float]]:
    """Pieces (m/s) of the specified speeds that no judged band covers, in order.

    Pieces narrower than 1 m/s at the ends of a band are not told.
    """
    if not spec.speed_m_s:
        return []
    at, top = spec.speed_m_s[0], spec.speed_m_s[-1]
    out = []
    judged = sorted((b.low_m_s, b.high_m_s) for b in held if b.margin is not None)
    for low, high in [*judged, (top, math.inf)]:
        if min(low, top) - at > 1.0:
            out.append((at, min(low, top)))
        at = max(at, high)
    return out


def _range(band: Band) -> str:
    return f"{band.low_m_s * 3.6:.0f}-{band.high_m_s * 3.6:.0f} km/h"
