"""ASTM E74: degree of the curve, standard deviation, lower limit factor, verified ranges.

Formulas of ASTM E74 (Practices for Calibration and Verification for
Force-Measuring Instruments) and its conditions, from memory; the standard itself is to be at hand
before a certificate cites it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from calibration.figures.astm_e74_conditions import (
    MIN_FORCES,
    MIN_SHARE,
    Chosen,
    class_conditions,
    e74_conditions,
)
from calibration.figures.condition import Condition, obstacle
from calibration.figures.figure import Figure
from calibration.readings.load_series import LEVEL_TOLERANCE
from calibration.statistics.polynomial_fit import FitError, PolynomialFit, fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = [
    "DegreeChoice",
    "DegreeStep",
    "choose_degree",
    "curve_rows",
    "degree_factor",
    "e74_figures",
]

_SOURCE: Final = "ASTM E74, from memory"
HIGH_RESOLUTION_COUNTS: Final = 50_000
"""Above it degrees over 2 are allowed."""
CLASS_FACTORS: Final = {"a": 400.0, "aa": 2000.0}
"""Lower limit of the verified range in lower limit factors: 0.25 % and 0.05 %."""


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
    loads: LoadSeries,
    curve: PolynomialFit,
    *,
    readings: Readings,
    settings: BenchSettings,
    resolution_kN: float | None,
) -> list[Figure]:
    """Standard deviation, lower limit factor, and the verified ranges of class A and AA.

    ``s = √(Σ d² / (n − m − 1))``; ``LLF = 2.4 s`` in force by the mean of force over
    deflection of the calibration data, not below the resolution; class A from 400 LLF, class
    AA from 2000 LLF, neither below 400 or 2000 steps of resolution, nor below the lowest force
    applied, nor below 2 % of the capacity. From rising readings alone, unless the falling ones
    were wanted; a reading of a force that was kept up is in none, whatever the table calls it.

    Parameters
    ----------
    curve : deflection from force with a constant term; its degree is taken
    readings : all that were taken, preloads and replaced readings as well
    resolution_kN : r of the unloaded indication, None where not known
    """
    chosen = _chosen(loads, settings)
    try:
        fit = fit_polynomial(
            loads.force[chosen.rows], loads.deflection[chosen.rows], curve.degree
        )
    except FitError as error:
        return [figure.without(f"{chosen.words}: {error}") for figure in _empty(loads)]
    figures, llf_kN = _scatter(loads, fit, chosen, resolution_kN)
    conditions = e74_conditions(loads, chosen, readings, settings)
    for name in CLASS_FACTORS:
        figures += _class_figures(
            loads, name, llf_kN, resolution_kN, chosen, settings, conditions
        )
    return figures


def _scatter(
    loads: LoadSeries, fit: PolynomialFit, chosen: Chosen, resolution_kN: float | None
) -> tuple[list[Figure], float]:
    """Standard deviation and lower limit factor, and the latter in kN."""
    kN = loads.readings.kN_per_unit
    usable = chosen.rows & (loads.deflection != 0.0)
    ratio_kN = float(np.mean(np.abs(loads.force[usable] / loads.deflection[usable]))) * kN
    llf_kN = max(2.4 * fit.residual_sd * ratio_kN, resolution_kN or 0.0)
    scatter, factor, *_ = _empty(loads)
    found = [
        replace(
            scatter,
            value=fit.residual_sd,
            reason=chosen.words,
            detail={
                "kN": fit.residual_sd * ratio_kN,
                "dof": fit.dof,
                "n": fit.n,
                "coefficients": [float(c) for c in fit.coefficients],
            },
        ),
        replace(
            factor,
            value=llf_kN,
            detail={
                "own_units": llf_kN / kN,
                "own_unit": loads.readings.force_unit,
                "mean_force_per_deflection": ratio_kN / kN,
                "deflection": 2.4 * fit.residual_sd,
            },
        ),
    ]
    return found, llf_kN


def curve_rows(loads: LoadSeries) -> NDArray[np.bool_]:
    """(n,) loaded readings that a curve of rising forces rests on: all, where none is known.

    Means of rising and falling readings jump where a force has one kind only; what a term of a
    higher degree would fit there is the loop.
    """
    rows = ~_kept_up(loads)
    rising = rows & (loads.direction > 0)
    return rising if np.any(rising) else rows


def _chosen(loads: LoadSeries, settings: BenchSettings) -> Chosen:
    if settings.e74_falling:
        pooled = "rising and falling readings pooled, as was asked"
        return Chosen(~_kept_up(loads), pooled)
    known = bool(np.any(loads.direction > 0))
    words = "rising readings only" if known else "all readings: no direction is known"
    return Chosen(curve_rows(loads), words)


def _kept_up(loads: LoadSeries) -> NDArray[np.bool_]:
    """(n,) loaded readings that follow another of the same force at once, by their times."""
    r = loads.readings
    loaded = (r.applied != 0.0) & ~r.held
    same = (
        (np.abs(np.diff(r.applied)) <= LEVEL_TOLERANCE * loads.largest)
        & (np.diff(r.series) == 0)
        & (np.diff(r.time_s) > 0.0)
        & (r.applied[1:] != 0.0)
    )
    return np.asarray(np.concatenate(([False], same))[loaded])


def _empty(loads: LoadSeries) -> list[Figure]:
    """The figures without their values."""
    found = [
        Figure(
            name="e74_standard_deviation",
            value=None,
            unit=loads.readings.reading_unit,
            formula="sqrt(sum d^2 / (n - m - 1)), d = observed - fitted deflection",
            source=_SOURCE,
        ),
        Figure(
            name="e74_lower_limit_factor",
            value=None,
            unit="kN",
            formula="2.4 s times the mean of force / deflection; not below the resolution",
            source=_SOURCE,
        ),
    ]
    for name, steps in CLASS_FACTORS.items():
        found += [
            Figure(
                name=f"e74_class_{name}_lower_limit",
                value=None,
                unit="kN",
                formula=f"max({steps:.0f} LLF, {steps:.0f} r, lowest force applied,"
                f" {100.0 * MIN_SHARE:g} % of capacity)",
                source=_SOURCE,
                reason="arithmetic only: claims no class",
            ),
            Figure(
                name=f"e74_class_{name}_range",
                value=None,
                unit="kN",
                formula=f"class {name.upper()}: lower limit to the largest force applied",
                source=_SOURCE,
            ),
        ]
    return found


def _class_figures(
    loads: LoadSeries,
    name: str,
    llf_kN: float,
    resolution_kN: float | None,
    chosen: Chosen,
    settings: BenchSettings,
    conditions: list[Condition],
) -> list[Figure]:
    kN, steps = loads.readings.kN_per_unit, CLASS_FACTORS[name]
    applied = np.abs(loads.levels[np.unique(loads.level_of[chosen.rows])]) * kN
    lowest, highest = float(applied[0]), float(applied[-1])
    capacity = max(highest, settings.capacity_kN or 0.0)
    limit_kN = max(steps * llf_kN, steps * (resolution_kN or 0.0), lowest, MIN_SHARE * capacity)
    conditions = [
        *conditions,
        *class_conditions(name, settings, highest_kN=highest, capacity_kN=capacity),
    ]
    letter = name.upper()
    empty = {figure.name: figure for figure in _empty(loads)}
    limit = replace(
        empty[f"e74_class_{name}_lower_limit"],
        value=limit_kN,
        detail={"own_units": limit_kN / kN, "own_unit": loads.readings.force_unit},
    )
    verified = replace(
        empty[f"e74_class_{name}_range"],
        reason=obstacle(conditions),
        detail={"conditions": [condition.to_document() for condition in conditions]},
    )
    return [
        limit,
        verified if verified.reason else _claimed(verified, loads, letter, chosen, limit_kN),
    ]


def _claimed(
    verified: Figure, loads: LoadSeries, letter: str, chosen: Chosen, limit_kN: float
) -> Figure:
    """The range from its lower limit to the largest force, all conditions held."""
    highest = float(np.max(np.abs(loads.levels[loads.level_of[chosen.rows]])))
    highest *= loads.readings.kN_per_unit
    if limit_kN > highest:
        why = f"the lower limit {limit_kN:.4g} kN lies above the largest force {highest:.4g} kN"
        return replace(verified, reason=f"no class {letter}: {why}")
    sense = "tension" if loads.sense > 0 else "compression"
    statement = f"class {letter}, {sense}, {limit_kN:.5g} to {highest:g} kN, {chosen.words}"
    detail = {
        **verified.detail,
        "low_kN": limit_kN,
        "high_kN": highest,
        "sense": sense,
        "readings": chosen.words,
        "statement": statement,
    }
    return replace(verified, value=limit_kN, reason=statement, detail=detail)
