"""The resistance of the trailing load, fitted over the free running of all runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2, KM_H_PER_M_S
from calibration.quantities.sentence import join, say, words_of
from recorder.analysis.dynamics.resistance import (
    Correlated,
    ResistanceFit,
    covariance_of,
    fit_resistance,
)
from recorder.analysis.dynamics.shared_errors import (
    Where,
    grade_errors,
    inertia_errors,
    wander_errors,
)
from recorder.analysis.series.filters import mean_known
from recorder.analysis.series.series import UNFIT, GradeSource
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.stretch_means import ACCELERATION_WINDOW_S, corrected_pull

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.campaign.run_answer import RunAnswer

__all__ = [
    "BalanceResistance",
    "CampaignResistance",
    "ResistanceObservation",
    "balance_fit",
    "fit_most",
    "fit_pieces",
    "resistance_of",
]

OBSERVED_S: Final = 10.0
"""One observation: long enough for the slack to even out, short enough for one speed and to tell
a wander of half a minute from the survey's error over half a kilometre."""
SLOWEST_M_S: Final = 1.0
"""Below, starting resistance of cold bearings is another thing."""
ALL: Final = "ABC"
TERMS: Final = (ALL, "AC", "A")
"""As many as the pieces carry."""
MOST_PIECES: Final = 500
"""The fit is worked by matrices: more pieces of the same line tell little more."""
_GRADE: Final = UncertaintyCause(CauseKind.GRADE_OF_RUN, Side.TRAILING)
_INERTIA: Final = UncertaintyCause(CauseKind.ACCELERATION, Side.TRAILING)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceObservation:
    """One even part of free running."""

    run: str
    speed_km_h: float
    speed_variance: float
    """Of the speed within the piece, (km/h)²."""
    resistance: Measured
    """Of the trailing load, N/t; less the slope's error and the wander."""
    where: Where
    wheel: UncertaintyCause
    wheel_rel_u: float
    span: slice
    """Its bins."""
    asked_N_per_t: float
    """What grade and acceleration asked, either way: what an error of the mass acts on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignResistance:
    """The fit over all runs, and the observations it was made from."""

    fit: ResistanceFit | None
    observations: tuple[ResistanceObservation, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceResistance:
    """What closes a run's energy balance."""

    fit: ResistanceFit | None
    fitted_on: NDArray[np.bool_]
    """(n,) bins of the run that it was fitted on."""
    why: str = ""
    """Why there is no fit."""


def resistance_of(runs: Sequence[RunAnswer], notes: list[str]) -> CampaignResistance:
    """Fit as many of A, B and C as the observations carry; why not more is noted."""
    seen: list[ResistanceObservation] = []
    for run in runs:
        if run.loaded.series.grade_source is GradeSource.UNKNOWN:
            notes.append(f"{run.loaded.name}: grade not known, so resistance is not fitted")
        else:
            seen += _observed(run)
    fit, why = fit_most(seen)
    if fit is not None and why:
        why = say(why, f"; fitted: only {', '.join(fit.terms)}")
    if seen and why:
        notes.append(why)
    return CampaignResistance(fit=fit, observations=tuple(seen))


def fit_most(pieces: Sequence[ResistanceObservation]) -> tuple[ResistanceFit | None, str]:
    """As many terms as the pieces carry, and why no more of them; ``None`` when they carry none."""
    why = "" if pieces else "no free running to fit a resistance to"
    for terms in TERMS if pieces else ():
        try:
            return fit_pieces(pieces, terms), why
        except ValueError as error:
            why = words_of(error)
    return None, why


def fit_pieces(pieces: Sequence[ResistanceObservation], terms: str) -> ResistanceFit:
    """Fit the terms to pieces, with what they share: twice, for how large the wander is, what
    the wheel's error does and what a change of speed within a piece adds all want a first fit,
    which nothing bounds: without the wander it is not known how well.

    Raises
    ------
    ValueError
        Too few pieces or too little spread of speed to tell the terms apart, or pieces that
        contradict a resistance which does not fall with speed.
    """
    held = _thinned(pieces)
    speeds = np.array([o.speed_km_h for o in held])
    where = [o.where for o in held]
    grade = Correlated(covariance=grade_errors(where))
    known = {_GRADE: grade, _INERTIA: Correlated(covariance=inertia_errors(where))}
    first = fit_resistance(
        speeds,
        [o.resistance for o in held],
        terms=terms,
        correlated=known,
    )
    curved = first.beta[first.terms.index("C")] if "C" in first.terms else 0.0
    slopes = first.slope_at(speeds)
    values = [
        o.resistance.shifted(-float(curved) * o.speed_variance).with_part(
            o.wheel, -float(slope) * o.speed_km_h * o.wheel_rel_u
        )
        for o, slope in zip(held, slopes, strict=True)
    ]
    known |= _wanders(held, values, first, grade)
    return fit_resistance(speeds, values, terms=terms, non_negative=True, correlated=known)


def _wanders(
    held: Sequence[ResistanceObservation],
    values: Sequence[Measured],
    first: ResistanceFit,
    grade: Correlated,
) -> dict[UncertaintyCause, Correlated]:
    """By run, what the pull's slow wander is among all pieces."""
    found = {}
    for run in dict.fromkeys(o.run for o in held):
        at = [i for i, o in enumerate(held) if o.run == run]
        block = np.ix_(at, at)
        own = [values[i] for i in at]
        # An error of the speed is assumed, at the most it may be: it would hide a wander.
        known = grade.covariance[block] + covariance_of(own, first.weights[at])
        # What repeats at the same speed is no wander, with however few terms it is fitted.
        x = np.array([[held[i].speed_km_h ** power for power in range(len(ALL))] for i in at])
        y = np.array([v.value for v in own])
        wander = wander_errors([held[i].where for i in at], y, x, known)
        whole = np.zeros_like(grade.covariance)
        whole[block] = wander.covariance
        cause = UncertaintyCause(CauseKind.WANDER, run)
        found[cause] = replace(wander, covariance=whole)
    return found


def _thinned(pieces: Sequence[ResistanceObservation]) -> list[ResistanceObservation]:
    """Evenly chosen, so that no more are left than matrices can be worked of."""
    if len(pieces) <= MOST_PIECES:
        return list(pieces)
    return [pieces[i] for i in np.linspace(0, len(pieces) - 1, MOST_PIECES).round().astype(int)]


def _observed(run: RunAnswer) -> list[ResistanceObservation]:
    loaded = run.loaded
    series, mass_t = loaded.series, loaded.train.trailing.mass_t
    if mass_t is None:
        return []
    n = max(2, round(OBSERVED_S / series.step_s))
    speed = series.speed_m_s
    spans = (slice(start, start + n) for start in _chosen(run, speed, n))
    return [_piece(loaded, span, mass_t) for span in spans]


def _piece(loaded: LoadedRun, span: slice, mass_t: float) -> ResistanceObservation:
    series, forces = loaded.series, loaded.corrected.trailing
    per_t, speed_km_h = 1000.0 / mass_t, np.abs(series.speed_m_s[span]) * KM_H_PER_M_S
    extent = Extent(loaded.name, f"piece at {series.t_s[span.start]:.0f} s")
    resistance = corrected_pull(loaded, span, extent, Side.TRAILING).scaled(per_t, "N/t")
    inertia = float(np.mean(forces.acceleration_kN[span])) * per_t
    wheel, wheel_u = loaded.instruments.wheel_cause, loaded.instruments.wheel_rel_u
    mass = UncertaintyCause(CauseKind.MASS, loaded.train.owner(Side.TRAILING))
    # The mass acts twice: on what grade and inertia ask, and on what a tonne's share is.
    shared = -resistance.value * loaded.train.mass_rel_u(Side.TRAILING)
    resistance = resistance.with_part(mass, shared).with_part(wheel, -inertia * wheel_u)
    asked = inertia + float(np.mean(forces.grade_kN[span])) * per_t
    return ResistanceObservation(
        run=loaded.name,
        speed_km_h=float(np.mean(speed_km_h)),
        speed_variance=float(np.var(speed_km_h)),
        resistance=_less_shared(resistance),
        where=_where(loaded, span, per_t, resistance),
        wheel=wheel,
        wheel_rel_u=wheel_u,
        span=span,
        asked_N_per_t=abs(asked),
    )


def _less_shared(value: Measured) -> Measured:
    """Without the errors that neighbouring pieces share: those are not by piece."""
    shared = (CauseKind.GRADE, CauseKind.ACCELERATION)
    return replace(value, parts={c: p for c, p in value.parts.items() if c.kind not in shared})


def _where(loaded: LoadedRun, span: slice, per_t: float, resistance: Measured) -> Where:
    series, assumed = loaded.series, loaded.train.assumed
    on_line = loaded.route is not None and series.grade_source is GradeSource.ROUTE
    metres = series.chainage_m[span] if on_line else series.distance_m[span]
    known = metres[np.isfinite(metres)]
    half = series.step_s / 2.0
    inertia = [p for c, p in resistance.parts.items() if c.kind is CauseKind.ACCELERATION]
    return Where(
        run=loaded.name,
        line=loaded.route.digest if loaded.route is not None and on_line else loaded.name,
        metres=(float(known[0]), float(known[-1])) if len(known) else (0.0, 0.0),
        seconds=(float(series.t_s[span.start]) - half, float(series.t_s[span.stop - 1]) + half),
        u_grade_N_per_t=1000.0 * G_M_S2 * assumed.grade,
        grade_length_m=assumed.grade_length_m,
        pull_N_per_t=mean_known(series.pull_kN[span]) * per_t,
        u_inertia_N_per_t=math.fsum(inertia),
        usual_wander=loaded.wander.sd,
    )


def balance_fit(run: RunAnswer, held: CampaignResistance) -> BalanceResistance:
    """A resistance to close a run's energy balance with.

    From other runs, when they carry a fit; else from those pieces of the run on which grade and
    acceleration asked least, so that it cannot swallow an error of the mass.
    """
    on = np.zeros(len(run.loaded.series), bool)
    others = [o for o in held.observations if o.run != run.loaded.name]
    fit, why = fit_most(others)
    if fit is not None:
        return BalanceResistance(fit=fit, fitted_on=on)
    own = [o for o in held.observations if o.run == run.loaded.name]
    middle = float(np.median([o.asked_N_per_t for o in own])) if own else 0.0
    quiet = [o for o in own if o.asked_N_per_t <= middle]
    fit, why_own = fit_most(quiet)
    if fit is not None:
        for piece in quiet:
            on[piece.span] = True
        return BalanceResistance(fit=fit, fitted_on=on)
    reasons = [say("by other runs, ", why)] * bool(others) + [say("by its own, ", why_own)]
    return BalanceResistance(fit=None, fitted_on=on, why=join(" and ", reasons))


def _chosen(run: RunAnswer, speed: NDArray[np.float64], n: int) -> list[int]:
    """First bins of the even parts, of n bins each, that are free running."""
    series = run.loaded.series
    free = (
        np.isfinite(run.loaded.corrected.trailing_resistance_kN)
        & (speed > SLOWEST_M_S)
        & ~_braked_soon(run)
        & (series.flags & UNFIT == 0)
    )
    return [i for i in range(0, len(series) - n + 1, n) if free[i : i + n].all()]


def _braked_soon(run: RunAnswer) -> NDArray[np.bool_]:
    """Bins (n,) that a brake was on in, or may have been, or whose acceleration knows of it: it
    was on before it was keyed, and the slope of the speed is taken over seconds to either side.
    """
    late, u_late = run.loaded.reaction
    ahead_s = late + 2.0 * u_late + ACCELERATION_WINDOW_S / 2.0
    bins = math.ceil(ahead_s / run.loaded.series.step_s)
    # A running sum over the bins ahead.
    count = np.concatenate(([0], np.cumsum(run.braked)))
    last = np.minimum(np.arange(len(run.braked)) + bins + 1, len(run.braked))
    return np.asarray(count[last] > count[:-1])
