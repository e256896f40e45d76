"""Pull against what grade and acceleration ask of the trailing load.

With the brakes off, Newton's second law leaves no choice: the pull at the coupler is the trailing
mass times ``g·i + (1 + γ)·a``, and resistance, a smooth function of speed. The slope of the pull on
that product is one whatever the driver did; a negative slope is a pull of the wrong sign, a slope
far from one a slip of a unit or of a mass. Its uncertainty is a jackknife over blocks of a minute,
so that slow errors do not pass for many independent ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.analysis.plausibility.evidence import Evidence, block_means
from recorder.analysis.plausibility.resistance_sign import check_resistance
from recorder.analysis.plausibility.unit_slips import (
    LENGTH_SLIPS,
    MASS_SLIPS,
    PULL_SLIPS,
    slip_in_words,
)
from recorder.analysis.series.series import GradeSource
from recorder.analysis.series.train import Side

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["BalanceFit", "check_pull", "fit_balance"]

MEAN_S: Final = 20.0
VARIES: Final = 2.0
"""Times its own uncertainty that what grade and acceleration ask must vary, to tell anything."""
TOLD: Final = 0.05
BLOCK_S: Final = 60.0
LEAST_BLOCKS: Final = 8
TRIM: Final = 4.0
"""Scaled median deviations beyond which a mean is left out: a brake that nobody keyed."""
DRIFTING_KN_PER_T: Final = 0.05
"""A train that slows by more than this and its grade is braked, whoever keyed what: rolling
resistance stays below 50 N/t (from experience)."""
USUAL_RESISTANCE: Final = (15.0, 0.36, 0.04)
"""Of trains, N/t, N/t per m/s and N/t per (m/s)² (from experience: 15 N/t, 0.1 per km/h and
0.003 per (km/h)²)."""
RESISTANCE_SD: Final = (15.0, 0.7, 0.04)
"""How far a train may be from that, standard deviation (from experience)."""
ACCELERATION_S: Final = 5.0
"""Over which the acceleration of one bin is taken; over a longer mean its error falls with time."""
SURE: Final = 3.0
"""Standard uncertainties by which a slope must be away from one."""
MASS_AWAY: Final = 0.08
"""Away from one, below which a slope is the mass budget's business (from experience: weighed
trains are known within some per cent)."""
UNIT_AWAY: Final = 0.35
"""Further away it is a unit rather than a mass."""
SPEED_AWAY: Final = 0.25
"""Between gravity's mass and inertia's, relative: rotary allowances and clocks are not wrong by
more (from experience); the nearest slip of a speed is 1.6."""
NAME = "pull against grade and acceleration"


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceFit:
    """Slopes of the pull on what was asked of the trailing load, with standard uncertainties."""

    slope: float
    u: float
    """NaN in either when the run does not tell."""
    thinned: float = math.nan
    """By what share the slope may come out small because grade and acceleration are not exact."""
    grade_slope: float = math.nan
    grade_u: float = math.nan
    inertia_slope: float = math.nan
    inertia_u: float = math.nan


_NOTHING: Final = BalanceFit(slope=math.nan, u=math.nan)


def fit_balance(evidence: Evidence) -> BalanceFit:
    """Fit the pull of a run; with an unknown mass the slope is of one tonne: only its sign tells.

    All NaN when there are too few blocks.
    """
    series, train = evidence.run.series, evidence.run.train
    every = max(1, round(MEAN_S / series.step_s))
    use = np.where(evidence.running, 1.0, np.nan)
    mass, known = train.trailing.mass_t or 1.0, train.trailing.mass_t is not None
    # Curves belong to the resistance that slope and speed do not explain: taken as known.
    curve = np.nan_to_num(evidence.run.corrected.trailing.curve_kN)
    graded, pushed, pull, speed = (
        block_means(x * use, every)
        for x in (
            mass * G_M_S2 * series.grade(Side.TRAILING),
            mass * (1.0 + train.trailing.rotary) * series.acceleration_m_s2,
            series.pull_kN - curve,
            np.abs(series.speed_m_s),
        )
    )
    with np.errstate(invalid="ignore"):
        drifting = graded + pushed > -DRIFTING_KN_PER_T * mass
    held = np.isfinite(graded + pushed + pull + speed) & drifting
    block = (np.arange(len(held)) * MEAN_S // BLOCK_S).astype(int)[held]
    graded, pushed, pull, speed = graded[held], pushed[held], pull[held], speed[held]
    rolling = np.column_stack([np.ones(len(pull)), speed, speed**2]) * mass / 1000.0
    u_mean = series.u_acceleration_m_s2 * math.sqrt(2.0) * ACCELERATION_S / MEAN_S
    u_asked = mass * math.hypot(G_M_S2 * train.assumed.grade, u_mean)
    few = len(np.unique(block)) < LEAST_BLOCKS
    if few or not float(np.std(graded + pushed)) > VARIES * u_asked:
        return _NOTHING
    asked = np.column_stack([graded + pushed, rolling])
    slope, u, thinned = _fitted(asked, pull, block, u_asked, known=known, columns=1)
    apart = np.column_stack([graded, pushed, rolling])
    parts, u_parts, _ = _fitted(apart, pull, block, u_asked, known=known, columns=2)
    return BalanceFit(
        slope=float(slope[0]),
        u=float(u[0]),
        thinned=thinned,
        grade_slope=float(parts[0]),
        grade_u=float(u_parts[0]),
        inertia_slope=float(parts[1]),
        inertia_u=float(u_parts[1]),
    )


def _greatest(evidence: Evidence) -> float:
    pull = np.abs(evidence.run.series.pull_kN[evidence.running])
    return float(np.percentile(pull, 95.0)) if len(pull) else math.inf


def _fitted(
    on: NDArray[np.float64],
    pull: NDArray[np.float64],
    block: NDArray[np.intp],
    u_asked: float,
    *,
    known: bool,
    columns: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """The first coefficients (columns,), their standard uncertainties, and the share by which they
    may come out small; far residuals are left out, resistance is held near what trains have.
    """
    for _ in range(2):
        left = pull - on @ np.linalg.lstsq(on, pull, rcond=None)[0]
        scale = normal_sd(left - np.median(left))
        keep = np.abs(left - np.median(left)) <= TRIM * max(scale, u_asked)
        on, pull, block = on[keep], pull[keep], block[keep]
    # Means of one block share their errors: a block counts once.
    variance = (scale**2 + u_asked**2) * BLOCK_S / MEAN_S
    precision = np.zeros(on.shape[1])
    precision[columns:] = variance / np.array(RESISTANCE_SD) ** 2 if known else 0.0
    usual = np.zeros(on.shape[1])
    usual[columns:] = USUAL_RESISTANCE
    names = np.unique(block)
    best = _held(on, pull, precision, usual)[:columns]
    others = (block != b for b in names)
    without = np.array([_held(on[o], pull[o], precision, usual)[:columns] for o in others])
    k = len(names)
    by_blocks = (k - 1) / k * ((without - without.mean(axis=0)) ** 2).sum(axis=0)
    held = np.diag(np.linalg.pinv(on.T @ on + np.diag(precision)))[:columns]
    u = np.sqrt(np.maximum(by_blocks, variance * held))
    return best, u, float(u_asked**2 * len(pull) * held[0])


def _held(
    on: NDArray[np.float64],
    pull: NDArray[np.float64],
    precision: NDArray[np.float64],
    usual: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Least squares with some coefficients held near their usual values."""
    both = on.T @ on + np.diag(precision)
    return np.asarray(np.linalg.pinv(both) @ (on.T @ pull + precision * usual))


def check_pull(evidence: Evidence) -> list[Checked]:
    """Sign and size of the pull, the trailing mass and the sign of the grade by one fit, and
    whether the resistance that is left is possible.
    """
    checked = _against_line(evidence)
    return [checked, check_resistance(evidence, checked.doubt)]


def _against_line(evidence: Evidence) -> Checked:
    if evidence.run.series.grade_source is GradeSource.UNKNOWN:
        return _by_starts(evidence, "the grade is not known")
    fit = fit_balance(evidence)
    if not math.isfinite(fit.slope + fit.u):
        return _by_starts(evidence, "grade and acceleration vary too little, or too little run")
    train = evidence.run.train
    known = train.trailing.mass_t is not None
    u = math.hypot(fit.u, train.mass_rel_u(Side.TRAILING)) if known else fit.u
    said = (
        f"slope {fit.slope:.3f} ± {2 * u:.3f} (95 %), 1 expected"
        if known
        else "the sign only, for want of the trailing mass: the pull rises with what is asked of it"
    )
    if fit.thinned > TOLD:
        said += (
            f"; it may come out {100 * fit.thinned:.0f} % small, grade and speed vary little"
        )
    doubt = _doubt(fit, u, known=known)
    if doubt is None and not fit.slope - SURE * u > 0.0:
        share = 2.0 * u / max(abs(fit.slope), 1e-9)
        why = f"the slope is known to ±{100 * share:.0f} % (95 %): that does not even tell its sign"
        return Checked.not_checked(NAME, why)
    return Checked(name=NAME, outcome=said, doubt=doubt)


def _doubt(fit: BalanceFit, u: float, *, known: bool) -> Doubt | None:
    wrong_grade = fit.grade_slope + SURE * fit.grade_u < 0.0
    right_inertia = fit.inertia_slope - SURE * fit.inertia_u > 0.0
    if wrong_grade and right_inertia:
        return Doubt(
            kind=DoubtKind.GRADE,
            text="the pull falls where the line rises and yet follows the acceleration: the grade"
            " has the wrong sign or the direction over the route is wrong; mend [route] direction"
            " or the grade column",
            value=fit.grade_slope,
            limit=0.0,
        )
    if fit.slope + SURE * u < 0.0:
        return Doubt(
            kind=DoubtKind.PULL_SIGN,
            text="the pull falls where grade and acceleration ask for more"
            f" (slope {_of_mass(fit, u, known=known)}): its sign is wrong; turn the sign of the"
            " pull column or of the force certificate",
            value=fit.slope,
            limit=0.0,
        )
    slip = _speed_slip(fit)
    if slip is not None:
        return slip
    away = abs(fit.slope - 1.0)
    thinned = fit.thinned if fit.slope < 1.0 else 0.0
    if not known or away <= max(MASS_AWAY, SURE * u + thinned):
        return None
    return _size(fit, u)


def _speed_slip(fit: BalanceFit) -> Doubt | None:
    """Gravity and inertia tell different masses: the speed has another unit than it says."""
    if not min(fit.grade_slope - SURE * fit.grade_u, fit.inertia_slope) > 0.0:
        return None
    # The slope on acceleration falls as the speed is shown too high.
    ratio = fit.grade_slope / fit.inertia_slope
    u = math.hypot(fit.grade_u / fit.grade_slope, fit.inertia_u / fit.inertia_slope)
    if abs(math.log(ratio)) <= max(SPEED_AWAY, SURE * u):
        return None
    named = slip_in_words(ratio, LENGTH_SLIPS, within=max(0.06, 2.0 * u))
    guess = f"it fits if {named}" if named else "no slip of a unit fits it"
    return Doubt(
        kind=DoubtKind.SPEED_UNIT,
        text=f"gravity tells {ratio:.2f} times the trailing mass that inertia tells, 1 expected:"
        f" {guess}; check the unit of the speed, the clock and the grade",
        value=ratio,
        limit=1.0 + math.copysign(SPEED_AWAY, ratio - 1.0),
    )


def _of_mass(fit: BalanceFit, u: float, *, known: bool) -> str:
    return f"{fit.slope:.2f} ± {2 * u:.2f}, 1 expected" if known else "negative for any mass"


def _size(fit: BalanceFit, u: float) -> Doubt:
    """The pull does not fit the mass."""
    within = max(0.06, 2.0 * u / max(abs(fit.slope), 1e-9))
    pull = slip_in_words(fit.slope, PULL_SLIPS, within=within)
    mass = slip_in_words(fit.slope, MASS_SLIPS, within=within)
    far = abs(math.log(max(fit.slope, 1e-6))) > UNIT_AWAY
    fits = "; ".join(s for s in (pull, mass) if s)
    guess = f"it fits if {fits}" if fits else "no slip of a unit fits it"
    todo = "check unit and certificate of the pull, and [consist] and [test_car] masses"
    return Doubt(
        kind=DoubtKind.PULL_UNIT if far and (pull or not mass) else DoubtKind.MASS,
        text=f"the pull is {fit.slope:.3f} ± {2 * u:.3f} times what grade and acceleration ask of"
        f" the stated trailing mass, 1 expected: {guess}; {todo}",
        value=fit.slope,
        limit=1.0 + math.copysign(MASS_AWAY, fit.slope - 1.0),
    )


GAINING_M_S2: Final = 0.05
LEAST_GAINING_S: Final = 60.0
NEGATIVE_SHARE: Final = 0.8


def _by_starts(evidence: Evidence, why: str) -> Checked:
    """The sign alone, by the pull while speed is gained; drifting downhill pulls hardly at all."""
    series = evidence.run.series
    with np.errstate(invalid="ignore"):
        gaining = series.acceleration_m_s2 > GAINING_M_S2
    pull = series.pull_kN[evidence.running & gaining]
    whole = float(np.abs(pull).sum())
    if len(pull) * series.step_s < LEAST_GAINING_S or whole == 0.0:
        return Checked.not_checked(NAME, f"{why}, and little speed was gained")
    negative = float(np.abs(pull[pull < 0.0]).sum()) / whole
    strong = whole / len(pull) > 0.3 * _greatest(evidence)
    said = (
        f"sign only ({why}): {100 * negative:.0f} % of the pull while gaining speed is negative"
    )
    if not strong or 1.0 - NEGATIVE_SHARE < negative < NEGATIVE_SHARE:
        weak = "" if strong else ", and it is weak"
        return Checked.not_checked(NAME, f"{said}{weak}: that does not tell its sign")
    if negative < NEGATIVE_SHARE:
        return Checked(name=NAME, outcome=said)
    doubt = Doubt(
        kind=DoubtKind.PULL_SIGN,
        text=f"{100 * negative:.0f} % of the pull while the train gained speed is negative, none"
        " expected: its sign is wrong; turn the sign of the pull column or of the certificate",
        value=negative,
        limit=NEGATIVE_SHARE,
    )
    return Checked(name=NAME, outcome=said, doubt=doubt)
