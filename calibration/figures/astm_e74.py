"""ASTM E74: degree of the curve, standard deviation, lower limit factor, verified ranges.

Formulas as commonly stated of ASTM E74 (Practices for Calibration and Verification for
Force-Measuring Instruments); the standard itself is to be consulted before a certificate
cites it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from calibration.figures.figure import Figure
from calibration.statistics.polynomial_fit import PolynomialFit, fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from calibration.readings.load_series import LoadSeries

__all__ = ["DegreeChoice", "DegreeStep", "choose_degree", "degree_factor", "e74_figures"]

_SOURCE: Final = "ASTM E74 as commonly stated"
HIGH_RESOLUTION_COUNTS: Final = 50_000
"""Above it degrees over 2 are allowed."""
CLASS_FACTORS: Final = {"a": 400.0, "aa": 2000.0}
"""Lower limit of the verified range in lower limit factors: 0.25 % and 0.05 %."""
MIN_READINGS: Final = 30
MIN_FORCES: Final = 10


def degree_factor(n1: int, m: int) -> float:
    """The factor C(n₁, m) that the ratio of two standard deviations must pass.

    ``C = √(1 + (F₀.₉₇₅(1, n₁ − m − 1) − 1) / (n₁ − m))``; n₁ distinct forces, degree m.
    Raises ``ValueError`` for n₁ ≤ m + 1.
    """
    if n1 <= m + 1:
        msg = f"{n1} distinct forces are too few for degree {m}"
        raise ValueError(msg)
    f = float(special.fdtri(1, n1 - m - 1, 0.975))
    return math.sqrt(1.0 + (f - 1.0) / (n1 - m))


@dataclass(frozen=True, slots=True)
class DegreeStep:
    """One trial: does degree m fit the means better than m − 1 by more than chance?"""

    degree: int
    sd_lower: float
    sd: float
    ratio: float
    factor: float
    kept: bool


@dataclass(frozen=True, slots=True)
class DegreeChoice:
    """The degree, and why."""

    degree: int
    steps: tuple[DegreeStep, ...]
    """From the highest degree tried downwards, to the one kept."""
    reasons: tuple[str, ...]


def choose_degree(
    forces: ArrayLike, means: ArrayLike, *, resolution_counts: float | None
) -> DegreeChoice:
    """Choose the degree from the mean deflections at n₁ distinct forces.

    From the highest degree allowed downwards: the term of degree m is kept when
    ``s(m−1)/s(m) > C(n₁, m)``. Degrees above 2 need a resolution better than 1/50 000.

    Parameters
    ----------
    forces, means : (n₁,) real
    resolution_counts
        Full-scale deflection in steps of the indication; None when not known.
    """
    x, y = np.asarray(forces, dtype=np.float64), np.asarray(means, dtype=np.float64)
    n1 = len(x)
    reasons = []
    if resolution_counts is not None and resolution_counts <= HIGH_RESOLUTION_COUNTS:
        highest = 2
        reasons.append(
            f"full scale is {resolution_counts:.0f} steps of the indication, not above"
            f" {HIGH_RESOLUTION_COUNTS}: degrees above 2 are not allowed"
        )
    else:
        highest = 5
    if highest > n1 - 2:
        highest = max(1, n1 - 2)
        reasons.append(f"{n1} distinct forces: no degree above {highest} can be tried")
    if n1 < MIN_FORCES:
        reasons.append(f"fewer than {MIN_FORCES} distinct forces: the rule is only indicative")
    # Below this, a standard deviation is rounding of the arithmetic.
    floor = float(8.0 * np.finfo(np.float64).eps * np.max(np.abs(y)))
    steps = []
    for m in range(highest, 1, -1):
        sd = max(fit_polynomial(x, y, m).residual_sd, floor)
        lower = max(fit_polynomial(x, y, m - 1).residual_sd, floor)
        factor = degree_factor(n1, m)
        step = DegreeStep(m, lower, sd, lower / sd, factor, lower / sd > factor)
        steps.append(step)
        sign = ">" if step.kept else "≤"
        verdict = "kept" if step.kept else "not needed"
        reasons.append(
            f"degree {m}: s({m - 1})/s({m}) = {step.ratio:.4g} {sign} C({n1}, {m}) ="
            f" {factor:.4g}: {verdict}"
        )
        if step.kept:
            return DegreeChoice(m, tuple(steps), tuple(reasons))
    reasons.append(
        "a straight line is enough" if steps else "only a straight line was possible"
    )
    return DegreeChoice(1, tuple(steps), tuple(reasons))


def e74_figures(
    loads: LoadSeries, curve: PolynomialFit, *, resolution_kN: float | None
) -> list[Figure]:
    """Standard deviation, lower limit factor, and the verified ranges of class A and AA.

    ``s = √(Σ d² / (n − m − 1))``; ``LLF = 2.4 s`` in force by the mean of force over
    deflection of the calibration data, not below the resolution; class A from 400 LLF, class
    AA from 2000 LLF, neither below 400 or 2000 steps of resolution nor below the lowest force
    applied. ``curve`` is deflection from force with a constant term.
    """
    kN = loads.readings.kN_per_unit
    usable = loads.deflection != 0.0
    ratio_kN = float(np.mean(np.abs(loads.force[usable] / loads.deflection[usable]))) * kN
    llf_kN = max(2.4 * curve.residual_sd * ratio_kN, resolution_kN or 0.0)
    figures = [
        Figure(
            name="e74_standard_deviation",
            value=curve.residual_sd,
            unit=loads.readings.reading_unit,
            formula="sqrt(sum d^2 / (n - m - 1)), d = observed - fitted deflection",
            source=_SOURCE,
            detail={"kN": curve.residual_sd * ratio_kN, "dof": curve.dof},
        ),
        Figure(
            name="e74_lower_limit_factor",
            value=llf_kN,
            unit="kN",
            formula="2.4 s times the mean of force / deflection; not below the resolution",
            source=_SOURCE,
            detail={
                "own_units": llf_kN / kN,
                "own_unit": loads.readings.force_unit,
                "mean_force_per_deflection": ratio_kN / kN,
                "deflection": 2.4 * curve.residual_sd,
            },
        ),
    ]
    obstacle = _obstacle(loads)
    for name, steps in CLASS_FACTORS.items():
        figures += _class_figures(loads, name, steps, llf_kN, resolution_kN, obstacle)
    return figures


def _obstacle(loads: LoadSeries) -> str:
    """What keeps a verified range from being claimed; empty when nothing does."""
    n, counts = len(loads.force), np.bincount(loads.level_of)
    if n < MIN_READINGS:
        return f"{n} readings under force; at least {MIN_READINGS} needed"
    if len(counts) < MIN_FORCES:
        return f"{len(counts)} distinct forces; at least {MIN_FORCES} needed"
    if np.any(counts < 2):
        return f"{np.count_nonzero(counts < 2)} of the forces were applied only once"
    positions = {
        branch.position_deg for branch in loads.branches if not math.isnan(branch.position_deg)
    }
    if not positions:
        return "the positions of the runs are not stated: rotation is not known"
    if len(positions) < 2:
        return "every run was taken in one position: no rotation"
    return ""


def _class_figures(
    loads: LoadSeries,
    name: str,
    steps: float,
    llf_kN: float,
    resolution_kN: float | None,
    obstacle: str,
) -> list[Figure]:
    kN = loads.readings.kN_per_unit
    lowest, highest = float(np.min(np.abs(loads.levels))) * kN, loads.largest * kN
    limit_kN = max(steps * llf_kN, steps * (resolution_kN or 0.0), lowest)
    letter = name.upper()
    limit = Figure(
        name=f"e74_class_{name}_lower_limit",
        value=limit_kN,
        unit="kN",
        formula=f"max({steps:.0f} LLF, {steps:.0f} r, lowest force applied)",
        source=_SOURCE,
        reason="arithmetic only: claims no class",
        detail={"own_units": limit_kN / kN, "own_unit": loads.readings.force_unit},
    )
    verified = Figure(
        name=f"e74_class_{name}_range",
        value=None,
        unit="kN",
        formula=f"class {letter}: lower limit to the largest force applied",
        source=_SOURCE,
    )
    if obstacle:
        return [limit, verified.without(obstacle)]
    if limit_kN > highest:
        why = f"the lower limit {limit_kN:.4g} kN lies above the largest force {highest:.4g} kN"
        return [limit, replace(verified, reason=f"no class {letter}: {why}")]
    detail = {"low_kN": limit_kN, "high_kN": highest}
    return [limit, replace(verified, value=limit_kN, detail=detail)]
