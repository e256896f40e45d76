"""Monte Carlo check of the law of propagation (JCGM 101:2008, GUM Supplement 1).

Every input of the equivalent pull is drawn from its distribution and the *non-linear* model is
worked for each draw: calibration and zero once a draw, wheel once, masses and rotary allowance
once, grade and random error once a stretch. The interval is the probabilistically symmetric
95 % one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.series.corrections import G_M_S2, Corrected
from recorder.analysis.series.filters import effective_count
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import Train
from recorder.analysis.specification.performance import Specification
from recorder.analysis.specification.steady_stretches import Stretch
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Simulated", "StretchInputs", "simulate_margin", "stretch_inputs"]

DRAWS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchInputs:
    """Means of one stretch: what the model starts from."""

    pull_kN: float
    pull_u_kN: float
    """Calibration's standard uncertainty at this pull."""
    random_u_kN: float
    random_dof: float
    grade: float
    curvature_per_m: float
    acceleration_m_s2: float
    u_acceleration_m_s2: float
    speed_m_s: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """What the draws say of the weighted mean margin."""

    mean_kN: float
    u_kN: float
    low_kN: float
    high_kN: float
    probability_at_least_zero: float
    draws: int


def stretch_inputs(
    series: Series, corrected: Corrected, stretch: Stretch, evidence: InstrumentUncertainty
) -> StretchInputs:
    """Collect one stretch's means."""
    span = slice(stretch.start, stretch.stop)
    values = corrected.equivalent_pull_kN[span]
    good = values[np.isfinite(values)]
    n = max(effective_count(values), 2.0)
    random_u = float(np.std(good, ddof=1)) / math.sqrt(n) if len(good) > 1 else math.nan
    pull = float(np.nanmean(series.pull_kN[span]))
    seconds = (stretch.stop - stretch.start) * series.step_s
    return StretchInputs(
        pull_kN=pull,
        pull_u_kN=evidence.pull_u_kN(pull),
        random_u_kN=random_u,
        random_dof=n - 1.0,
        grade=float(np.nanmean(series.locomotive_grade[span])),
        curvature_per_m=float(np.nanmean(series.locomotive_curvature_per_m[span])),
        acceleration_m_s2=float(np.nanmean(series.acceleration_m_s2[span])),
        u_acceleration_m_s2=series.u_acceleration_m_s2 / max(seconds / 5.0, 1.0),
        speed_m_s=float(np.nanmean(np.abs(series.speed_m_s[span]))),
        weight=1.0 / max(random_u, 1e-3) ** 2,
    )


def simulate_margin(
    inputs: Sequence[StretchInputs],
    train: Train,
    evidence: InstrumentUncertainty,
    specification: Specification,
    *,
    seed: int = 1,
    draws: int = DRAWS,
) -> Simulated | None:
    """Weighted mean margin of some stretches over the specification, by simulation.

    ``None`` when the locomotive's mass is not known or no stretch lies in the specification.
    """
    used = [i for i in inputs if math.isfinite(specification.limit_kN(i.speed_m_s))]
    if not used or train.locomotive_mass_t is None:
        return None
    rng = np.random.default_rng(seed)
    common = _common(rng, draws, train, evidence)
    total = np.zeros(draws)
    weights = 0.0
    for item in used:
        total += item.weight * _margin(rng, item, common, train, specification)
        weights += item.weight
    margin = total / weights
    low, high = np.quantile(margin, (0.025, 0.975))
    return Simulated(
        mean_kN=float(margin.mean()),
        u_kN=float(margin.std(ddof=1)),
        low_kN=float(low),
        high_kN=float(high),
        probability_at_least_zero=float(np.mean(margin >= 0.0)),
        draws=draws,
    )


def _common(
    rng: np.random.Generator, draws: int, train: Train, evidence: InstrumentUncertainty
) -> dict[str, NDArray[np.float64]]:
    a = train.assumed
    return {
        "calibration": rng.standard_normal(draws),
        "zero": rng.standard_normal(draws) * evidence.zero_u_kN,
        "wheel": 1.0 + rng.standard_normal(draws) * evidence.wheel_rel_u,
        "mass": 1.0 + rng.standard_normal(draws) * a.mass_rel,
        "rotary": train.locomotive_rotary + rng.standard_normal(draws) * a.rotary,
        "curve": a.curve_N_per_kN_m * (1.0 + rng.standard_normal(draws) * a.curve_rel),
        "grade": rng.standard_normal(draws) * a.grade_common,
    }


def _margin(
    rng: np.random.Generator,
    item: StretchInputs,
    common: dict[str, NDArray[np.float64]],
    train: Train,
    specification: Specification,
) -> NDArray[np.float64]:
    draws = len(common["zero"])
    random = rng.standard_t(max(item.random_dof, 3.0), draws) * item.random_u_kN
    mass = (train.locomotive_mass_t or 0.0) * common["mass"]
    grade = item.grade + common["grade"] + rng.standard_normal(draws) * train.assumed.grade
    a = item.acceleration_m_s2 * common["wheel"] + (
        rng.standard_normal(draws) * item.u_acceleration_m_s2
    )
    pull = (
        item.pull_kN
        + common["calibration"] * item.pull_u_kN
        + common["zero"]
        + random
        + mass * G_M_S2 * grade
        + mass * G_M_S2 * common["curve"] * item.curvature_per_m / 1000.0
        + mass * (1.0 + common["rotary"]) * a
    )
    speed = item.speed_m_s * common["wheel"]
    limit = np.interp(speed, specification.speed_m_s, specification.pull_kN)
    return np.asarray(pull - limit)
