"""The resistance of the trailing load, fitted over the free running of all runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from recorder.analysis.dynamics.resistance import ResistanceFit, fit_resistance
from recorder.analysis.series.series import UNFIT, GradeSource
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.causes import Extent
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.stretch_means import corrected_pull

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.run_answer import RunAnswer

__all__ = ["CampaignResistance", "ResistanceObservation", "resistance_of"]

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
    out = []
    for start in _chosen(run, speed, n):
        span = slice(start, start + n)
        extent = Extent(loaded.name, f"piece at {series.t_s[start]:.0f} s")
        pull = corrected_pull(loaded, span, extent, Side.TRAILING)
        out.append(
            ResistanceObservation(
                run=loaded.name,
                speed_km_h=float(np.mean(speed[span])) * KM_H_PER_M_S,
                resistance=pull.scaled(1000.0 / mass_t, "N/t"),
            )
        )
    return out


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
