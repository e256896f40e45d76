"""Monte Carlo check of the law of propagation (JCGM 101:2008, GUM Supplement 1).

Every input of the equivalent pull is drawn from its distribution and the *non-linear* model is
worked for each draw: calibration and zero once a draw, wheel once, masses and rotary allowance
once, grade once a stretch, scatter and wander by the causes that the propagation has. The
interval is the probabilistically symmetric 95 % one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from recorder.analysis.series.filters import mean_known
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.stretch_means import ACCELERATION_WINDOW_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.analysis.uncertainty.measured import Measured
    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["Simulated", "StretchInputs", "simulate_margin", "stretch_inputs"]

DRAWS: Final = 20_000
"""The ends of a 95 % interval then scatter by half a per cent of its width (computed)."""
LEAST_DOF: Final = 3.0
TOLERANCE: Final = 0.2
_OWN: Final = frozenset({CauseKind.RANDOM, CauseKind.WANDER})


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchInputs:
    """Means of one stretch: what the model starts from."""

    pull_kN: float
    own: Mapping[UncertaintyCause, float]
    """Scatter and wander, as the propagation has them, kN."""
    dof: Mapping[UncertaintyCause, float]
    calibration_kN: Mapping[UncertaintyCause, float]
    """Calibration's signed parts at this pull."""
    grade: float
    curvature_per_m: float
    acceleration_m_s2: float
    u_acceleration_m_s2: float
    speed_m_s: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """What the draws show of the weighted mean margin."""

    mean_kN: float
    u_kN: float
    low_kN: float
    high_kN: float
    draws: int

    def agrees_with(self, propagated: Measured) -> bool:
        """Whether both intervals are the same but for a fifth of their half-width (after JCGM
        101:2008, 8.1; the tolerance is ours, wide enough for what Student's t makes of few
        degrees of freedom)."""
        low, high = (
            propagated.value - propagated.expanded,
            propagated.value + propagated.expanded,
        )
        most = TOLERANCE * propagated.expanded
        return abs(low - self.low_kN) <= most and abs(high - self.high_kN) <= most


def stretch_inputs(run: RunBasis, result: StretchResult, weight: float) -> StretchInputs:
    """Collect one stretch's means; corrections that are switched off are nothing."""
    series, span, on = run.series, result.stretch.span, run.corrected.locomotive
    margin = result.margin or result.pull
    own = {c: p for c, p in margin.parts.items() if c.kind in _OWN}
    seconds = (span.stop - span.start) * series.step_s
    pull = mean_known(series.pull_kN[span])
    return StretchInputs(
        pull_kN=pull,
        own=own,
        dof={c: margin.dof[c] for c in own if c in margin.dof},
        calibration_kN=run.instruments.calibration(pull),
        grade=mean_known(series.locomotive_grade[span]) if on.grade_kN.any() else 0.0,
        curvature_per_m=mean_known(np.abs(series.locomotive_curvature_per_m[span]))
        if on.curve_kN.any()
        else 0.0,
        acceleration_m_s2=mean_known(series.acceleration_m_s2[span])
        if on.acceleration_kN.any()
        else 0.0,
        u_acceleration_m_s2=series.u_acceleration_m_s2
        / max(seconds / ACCELERATION_WINDOW_S, 1.0),
        speed_m_s=mean_known(np.abs(series.speed_m_s[span])),
        weight=weight,
    )


def simulate_margin(
    inputs: Sequence[StretchInputs],
    run: RunBasis,
    specification: Specification,
    *,
    seed: int = 1,
    draws: int = DRAWS,
) -> Simulated | None:
    """Weighted mean margin of some stretches over the specification, by simulation.

    ``None`` when the locomotive's mass is not known or no stretch lies in the specification.
    """
    used = [i for i in inputs if math.isfinite(specification.limit_kN(i.speed_m_s))]
    mass_t = run.train.locomotive.mass_t
    if not used or mass_t is None:
        return None
    rng = np.random.default_rng(seed)
    common = _common(rng, draws, run, mass_t)
    total = _noise(rng, draws, used)
    weights = 0.0
    for item in used:
        grade_u = run.train.assumed.grade
        total += item.weight * _margin(rng, item, common, grade_u, specification)
        weights += item.weight
    margin = total / weights
    low, high = np.quantile(margin, (0.025, 0.975))
    return Simulated(
        mean_kN=float(margin.mean()),
        u_kN=float(margin.std(ddof=1)),
        low_kN=float(low),
        high_kN=float(high),
        draws=draws,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shared:
    """Errors that all stretches share, one a draw: (draws,) each."""

    calibration: Mapping[UncertaintyCause, NDArray[np.float64]]
    """In standard uncertainties: how much that is depends on the force."""
    zero_kN: NDArray[np.float64]
    wheel: NDArray[np.float64]
    """Factor on speed and acceleration."""
    mass_t: NDArray[np.float64]
    rotary: NDArray[np.float64]
    curve_N_per_kN_m: NDArray[np.float64]
    grade: NDArray[np.float64]


def _common(rng: np.random.Generator, draws: int, run: RunBasis, mass_t: float) -> _Shared:
    assumed, rotary = run.train.assumed, run.train.locomotive.rotary
    causes = (run.instruments.pull_cause, run.instruments.unloaded_cause)
    # The order of the draws is part of the result: the same seed gives the same figures.
    return _Shared(
        calibration={c: rng.standard_normal(draws) for c in causes},
        zero_kN=rng.standard_normal(draws) * run.instruments.zero_u_kN,
        wheel=1.0 + rng.standard_normal(draws) * run.instruments.wheel_rel_u,
        mass_t=mass_t
        * (1.0 + rng.standard_normal(draws) * run.train.mass_rel_u(Side.LOCOMOTIVE)),
        rotary=rotary + rng.standard_normal(draws) * run.train.rotary_u(Side.LOCOMOTIVE),
        curve_N_per_kN_m=assumed.curve_N_per_kN_m
        * (1.0 + rng.standard_normal(draws) * assumed.curve_rel),
        grade=rng.standard_normal(draws) * assumed.grade_common,
    )


def _noise(
    rng: np.random.Generator, draws: int, used: Sequence[StretchInputs]
) -> NDArray[np.float64]:
    """Weighted sum (draws,) of all scatter: one Student's t a cause, and one variance for all
    causes of one estimate."""
    sums: dict[UncertaintyCause, float] = {}
    dofs: dict[UncertaintyCause, float] = {}
    for item in used:
        for cause, u in item.own.items():
            sums[cause] = sums.get(cause, 0.0) + item.weight * u
            # Below three a variance has no mean, and no two ways of counting agree.
            dofs[cause.estimate] = max(item.dof.get(cause, math.inf), LEAST_DOF)
    total = np.zeros(draws)
    scales: dict[UncertaintyCause, NDArray[np.float64]] = {}
    for cause, weight in sums.items():
        known, dof = cause.estimate, dofs[cause.estimate]
        if known not in scales:
            few = dof < 1e6
            scales[known] = np.sqrt(dof / rng.chisquare(dof, draws)) if few else np.ones(1)
        total += weight * rng.standard_normal(draws) * scales[known]
        if known == cause:
            del scales[known]  # of no other cause
    return total


def _margin(
    rng: np.random.Generator,
    item: StretchInputs,
    common: _Shared,
    grade_u: float,
    specification: Specification,
) -> NDArray[np.float64]:
    draws = len(common.zero_kN)
    grade = item.grade + common.grade + rng.standard_normal(draws) * grade_u
    a = item.acceleration_m_s2 * common.wheel + (
        rng.standard_normal(draws) * item.u_acceleration_m_s2
    )
    weight_kN = common.mass_t * G_M_S2
    pull = (
        item.pull_kN
        + sum(common.calibration[c] * u for c, u in item.calibration_kN.items())
        + common.zero_kN
        + weight_kN * grade
        + weight_kN * common.curve_N_per_kN_m * item.curvature_per_m / 1000.0
        + common.mass_t * (1.0 + common.rotary) * a
    )
    speed = item.speed_m_s * common.wheel
    # Beyond the points the last one stands: a draw may fall a hair outside.
    limit = np.interp(speed, specification.speed_m_s, specification.pull_kN)
    return np.asarray(pull - limit)
