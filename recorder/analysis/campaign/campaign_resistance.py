"""The resistance of the trailing load, fitted over the free running of all runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from recorder.analysis.dynamics.resistance import ResistanceFit, fit_resistance
from recorder.analysis.series.filters import mean_known
from recorder.analysis.series.series import UNFIT, GradeSource
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.stretch_means import corrected_pull

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.campaign.run_answer import RunAnswer

__all__ = ["CampaignResistance", "ResistanceObservation", "balance_fit", "resistance_of"]

OBSERVED_S: Final = 20.0
"""One observation: long enough for the slack to even out, short enough for one speed."""
SLOWEST_M_S: Final = 1.0
"""Below, starting resistance of cold bearings is another thing."""
GENTLE_M_S2: Final = 0.03
"""Inertia is the least certain correction: where enough observations need less than this, and
show nearly the whole range of speed, the others are left out."""
LEAST_GENTLE: Final = 20
NEARLY_ALL: Final = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceObservation:
    """One even part of free running."""

    run: str
    speed_km_h: float
    resistance: Measured
    """Of the trailing load, N/t."""
    span: slice
    """Its bins."""
    asked_N_per_t: float
    """What grade and acceleration asked, either way: what an error of the mass acts on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignResistance:
    """The fit over all runs, and the observations it was made from."""

    fit: ResistanceFit | None
    observations: tuple[ResistanceObservation, ...]


def resistance_of(runs: Sequence[RunAnswer], notes: list[str]) -> CampaignResistance:
    """Fit as many of A, B and C as the observations carry; why not more is noted."""
    seen: list[ResistanceObservation] = []
    for run in runs:
        if run.loaded.series.grade_source is GradeSource.UNKNOWN:
            notes.append(f"{run.loaded.name}: grade not known, so resistance is not fitted")
        else:
            seen += _observed(run)
    speeds = np.array([o.speed_km_h for o in seen])
    values = [o.resistance for o in seen]
    why = ""
    for terms in ("ABC", "AC", "A") if seen else ():
        try:
            fit = fit_resistance(speeds, values, terms=terms, non_negative=True)
        except ValueError as error:
            why = str(error)
        else:
            if why:
                notes.append(f"{why}; only {', '.join(terms)} were fitted")
            return CampaignResistance(fit=fit, observations=tuple(seen))
    if why:
        notes.append(why)
    return CampaignResistance(fit=None, observations=tuple(seen))


def _observed(run: RunAnswer) -> list[ResistanceObservation]:
    loaded = run.loaded
    series, mass_t = loaded.series, loaded.train.trailing.mass_t
    if mass_t is None:
        return []
    n = max(2, round(OBSERVED_S / series.step_s))
    speed = np.abs(series.speed_m_s)
    forces = loaded.corrected.trailing
    asked = forces.grade_kN + forces.acceleration_kN
    out = []
    for start in _chosen(run, speed, n):
        span = slice(start, start + n)
        extent = Extent(loaded.name, f"piece at {series.t_s[start]:.0f} s")
        pull = corrected_pull(loaded, span, extent, Side.TRAILING)
        out.append(
            ResistanceObservation(
                run=loaded.name,
                speed_km_h=float(np.mean(speed[span])) * KM_H_PER_M_S,
                resistance=_by_length(pull, loaded, span).scaled(1000.0 / mass_t, "N/t"),
                span=span,
                asked_N_per_t=abs(float(np.mean(asked[span]))) * 1000.0 / mass_t,
            )
        )
    return out


def _by_length(pull: Measured, loaded: LoadedRun, span: slice) -> Measured:
    """The grade's error under its own length of line: pieces on one length share it."""
    metres = mean_known(loaded.series.distance_m[span])
    if not math.isfinite(metres):
        return pull
    number = int(metres // loaded.train.assumed.grade_length_m)
    length = Extent(loaded.name, f"length {number}")

    def moved(cause: UncertaintyCause) -> UncertaintyCause:
        return replace(cause, extent=length) if cause.kind is CauseKind.GRADE else cause

    return replace(pull, parts={moved(c): p for c, p in pull.parts.items()})


def balance_fit(
    run: RunAnswer, held: CampaignResistance
) -> tuple[ResistanceFit, NDArray[np.bool_]] | None:
    """A resistance to close a run's energy balance with, and the bins it was fitted on.

    From other runs, when they carry a fit; else from those pieces of the run on which grade and
    acceleration asked least, so that it cannot swallow an error of the mass; ``None`` when they
    carry none.
    """
    on = np.zeros(len(run.loaded.series), bool)
    others = [o for o in held.observations if o.run != run.loaded.name]
    fit = _try_fit(others)
    if fit is not None:
        return fit, on
    own = [o for o in held.observations if o.run == run.loaded.name]
    if not own:
        return None
    middle = float(np.median([o.asked_N_per_t for o in own]))
    quiet = [o for o in own if o.asked_N_per_t <= middle]
    fit = _try_fit(quiet)
    if fit is None:
        return None
    for piece in quiet:
        on[piece.span] = True
    return fit, on


def _try_fit(pieces: Sequence[ResistanceObservation]) -> ResistanceFit | None:
    speeds = np.array([o.speed_km_h for o in pieces])
    for terms in ("ABC", "AC", "A") if pieces else ():
        try:
            return fit_resistance(
                speeds, [o.resistance for o in pieces], terms=terms, non_negative=True
            )
        except ValueError:
            continue  # fewer terms want less of the observations
    return None


def _chosen(run: RunAnswer, speed: NDArray[np.float64], n: int) -> list[int]:
    """First bins of the even parts, of n bins each, that are free running."""
    series = run.loaded.series
    free = (
        np.isfinite(run.loaded.corrected.trailing_resistance_kN)
        & (speed > SLOWEST_M_S)
        & ~run.braked
        & (series.flags & UNFIT == 0)
    )
    starts = [i for i in range(0, len(series) - n + 1, n) if free[i : i + n].all()]
    gentle = [
        i for i in starts if abs(np.mean(series.acceleration_m_s2[i : i + n])) <= GENTLE_M_S2
    ]

    def reach(held: list[int]) -> float:
        return float(np.ptp(speed[held])) if held else 0.0

    enough = len(gentle) >= LEAST_GENTLE and reach(gentle) >= NEARLY_ALL * reach(starts)
    return gentle if enough else starts
