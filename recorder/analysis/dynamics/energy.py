"""The energy balance: work at the drawbar against what became of it.

``∫F ds = ΔE_potential + ΔE_kinetic + curve work + rolling work + unaccounted``. Rolling work uses a
resistance that was *not* fitted on the same stretches where that can be had; what is left
unaccounted for has its own uncertainty, and a run of which more is left is not believed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities.constants import G_M_S2, KM_H_PER_M_S
from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["EnergyBalance", "balance_energy", "drawbar_work", "work_over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyBalance:
    """All in kJ; only over bins where pull and speed are both known."""

    draft_work: Measured
    """Work while pulling."""
    buff_work: Measured
    """Work while pushed against, negative."""
    total_work: Measured
    potential: Measured | None
    kinetic: Measured | None
    curve: Measured | None
    rolling: Measured | None
    unaccounted: Measured | None
    """Total work less everything accounted for."""
    seconds: float
    metres: float
    """Over those; by the speed alone where the pull is never known. NaN without a speed."""
    seconds_missing: float
    brake_seconds: float
    balanced_seconds: float = 0.0
    """Over which that was worked: free running on which no resistance was fitted."""
    why_open: str = ""
    """Why it cannot be told what is unaccounted for."""

    @property
    def closes(self) -> bool | None:
        """Whether what is unaccounted for lies within its uncertainty; ``None`` if not known."""
        if self.unaccounted is None or not math.isfinite(self.unaccounted.value):
            return None
        return bool(abs(self.unaccounted.value) <= self.unaccounted.expanded)


def drawbar_work(run: RunBasis) -> tuple[Measured, Measured, Measured]:
    """Draft, buff and total work at the drawbar, kJ, by pull over distance; NaN where pull and
    speed are nowhere known together.

    Each bin's mean pull acts over the distance of the bin, along the way that the locomotive
    leads; tension and buff are added apart, and the total is their sum cause by cause. What a
    propelling locomotive does is buff over a negative distance.
    """
    force = run.series.sound_pull_kN
    known = np.isfinite(force * run.series.speed_m_s)
    if not known.any():
        nothing = Measured(math.nan, "kJ")
        return nothing, nothing, nothing
    draft, u_draft = _work(run, ~(force < 0.0))
    buff, u_buff = _work(run, force < 0.0)
    _, u_total = _work(run, known)
    # Of the wander, what buff has in common with draft, and what it has not.
    both = (u_total**2 - u_draft**2 - u_buff**2) / 2.0
    common = both / u_draft if u_draft > 0.0 else 0.0
    rest = math.sqrt(max(u_buff**2 - common**2, 0.0))
    wander, dof = UncertaintyCause(CauseKind.WANDER, run.name), run.wander.dof
    own = UncertaintyCause(CauseKind.WANDER, run.name, Extent(run.name, "buff"))
    draft = draft.with_part(wander, u_draft, dof=dof)
    buff = buff.with_part(wander, common, dof=dof).with_part(own, rest, dof=dof)
    return draft, buff, draft.plus(buff)


def work_over(run: RunBasis, chosen: NDArray[np.bool_]) -> Measured:
    """Work at the drawbar over the chosen bins (n,) where pull and speed are known, kJ.

    Calibration and zero are fully correlated over the run; the wander's part is by how much such
    a wander does not average out.
    """
    work, u_wander = _work(run, chosen)
    # Over the run its size and its correlation time count together: what is known of the two is
    # in the degrees of freedom of a mean over all its parts.
    wander = UncertaintyCause(CauseKind.WANDER, run.name)
    return work.with_part(wander, u_wander, dof=run.wander.dof)


def _work(run: RunBasis, chosen: NDArray[np.bool_]) -> tuple[Measured, float]:
    """Work over the chosen bins (n,) but for its wander, and the wander's standard uncertainty."""
    series, instruments = run.series, run.instruments
    metres = series.speed_m_s * series.step_s
    pull = series.sound_pull_kN
    good = chosen & np.isfinite(pull * metres)
    amounts = np.where(good, np.nan_to_num(pull * metres), 0.0)
    value = float(amounts.sum())
    parts = instruments.calibration_kJ(pull[good], metres[good]) | {
        instruments.zero_cause: instruments.zero_u_kN * float(metres[good].sum()),
        instruments.wheel_cause: instruments.wheel_rel_u * value,
    }
    return Measured(value, "kJ", parts), run.wander.of_sum(amounts, series.step_s)


def balance_energy(
    run: RunBasis,
    braked: NDArray[np.bool_],
    rolling_N_per_t: Callable[[float], Measured] | None = None,
    fitted_on: NDArray[np.bool_] | None = None,
    *,
    no_rolling: str = "no resistance was fitted",
) -> EnergyBalance:
    """Draw up the balance of a run.

    Bins in ``braked`` (n,) are left out of the balance: brake work is not measured at the
    drawbar. ``rolling_N_per_t`` gives the trailing resistance per tonne at a speed in km/h;
    without it, or without the trailing mass, the balance cannot be closed. What is unaccounted for
    is worked without the bins in ``fitted_on`` (n,), on which that resistance was fitted: else it
    could not fail. ``no_rolling`` is why there is no resistance.
    """
    series = run.series
    draft, buff, total = drawbar_work(run)
    known = np.isfinite(series.sound_pull_kN) & np.isfinite(series.speed_m_s)
    free = known & ~braked
    mass_t = run.train.trailing.mass_t
    potential = kinetic = curve = rolling = unaccounted = None
    balanced = free if fitted_on is None else free & ~fitted_on
    if mass_t is not None and known.any():
        potential, kinetic, curve = _line_work(run, free, mass_t)
        if rolling_N_per_t is not None:
            rolling = _rolling(run, _metres(run, free), mass_t, rolling_N_per_t)
            unaccounted = _unaccounted(run, balanced, mass_t, rolling_N_per_t)
    return EnergyBalance(
        draft_work=draft,
        buff_work=buff,
        total_work=total,
        potential=potential,
        kinetic=kinetic,
        curve=curve,
        rolling=rolling,
        unaccounted=unaccounted,
        seconds=float(known.sum() * series.step_s),
        metres=_ridden_m(series, known),
        seconds_missing=float((~known).sum() * series.step_s),
        brake_seconds=float((known & braked).sum() * series.step_s),
        balanced_seconds=float(balanced.sum() * series.step_s) if unaccounted else 0.0,
        why_open=_why_open(run, known, balanced, "" if rolling_N_per_t else no_rolling),
    )


def _why_open(
    run: RunBasis, known: NDArray[np.bool_], balanced: NDArray[np.bool_], no_rolling: str
) -> str:
    """Why nobody can tell what is unaccounted for; empty where it is told."""
    if not known.any():
        return "pull and speed are nowhere known together"
    if run.train.trailing.mass_t is None:
        return "the trailing mass is not known"
    if not no_rolling and not balanced.any():
        return "no free running is left on which no resistance was fitted"
    return no_rolling


def _ridden_m(series: Series, known: NDArray[np.bool_]) -> float:
    held = known if known.any() else np.isfinite(series.speed_m_s)
    ridden = np.abs(series.speed_m_s[held])
    return float(np.sum(ridden) * series.step_s) if held.any() else math.nan


def _metres(run: RunBasis, held: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Distance (n,) of the held bins the way the locomotive leads, nothing elsewhere."""
    return np.where(held, run.series.speed_m_s * run.series.step_s, 0.0)


def _unaccounted(
    run: RunBasis,
    balanced: NDArray[np.bool_],
    mass_t: float,
    rolling_N_per_t: Callable[[float], Measured],
) -> Measured | None:
    """Work over the balanced bins less everything accounted for; ``None`` when there are none."""
    if not balanced.any():
        return None
    ds = _metres(run, balanced)
    potential, kinetic, curve = _line_work(run, balanced, mass_t)
    rolling = _rolling(run, ds, mass_t, rolling_N_per_t)
    return work_over(run, balanced).minus(potential.plus(kinetic).plus(curve).plus(rolling))


def _line_work(
    run: RunBasis, held: NDArray[np.bool_], mass_t: float
) -> tuple[Measured, Measured, Measured]:
    """What went into height, speed and curves of the trailing load."""
    forces, assumed = run.corrected.trailing, run.train.assumed
    side, ds = Side.TRAILING, _metres(run, held)
    mass = UncertaintyCause(CauseKind.MASS, run.train.owner(side))
    # Errors of grade change sign from one length to the next: they add as a random walk.
    walked_m = math.sqrt(float(np.abs(ds).sum()) * assumed.grade_length_m)
    potential = _sum(forces.grade_kN, ds, mass, run.train.mass_rel_u(side)).with_part(
        UncertaintyCause(CauseKind.GRADE_OF_RUN, side),
        mass_t * G_M_S2 * assumed.grade * walked_m,
    )
    constant = UncertaintyCause(CauseKind.CURVE)
    # Curves hold back whichever way the train runs.
    curve = _sum(forces.curve_kN, np.abs(ds), constant, assumed.curve_rel)
    return potential, _kinetic(run, held, mass_t, mass), curve


def _kinetic(
    run: RunBasis, held: NDArray[np.bool_], mass_t: float, mass: UncertaintyCause
) -> Measured:
    """Change of ``½·m·(1 + γ)·v²`` between the ends of every unbroken part, kJ.

    An acceleration smoothed over seconds would leak across the edge of a braked part.
    """
    side, rotary = Side.TRAILING, run.train.trailing.rotary
    speed = run.series.speed_m_s
    edges = np.flatnonzero(np.diff(held.astype(np.int8), prepend=0, append=0))
    starts, stops = edges[::2], edges[1::2]
    v0, v1 = _edge_speed(speed, starts, held), _edge_speed(speed, stops, held)
    change = float(np.sum(v1**2 - v0**2)) / 2.0
    value = mass_t * (1.0 + rotary) * change
    apart = np.diff(speed[np.isfinite(speed)], 2)
    noise = normal_sd(apart) / math.sqrt(6.0) if len(apart) else 0.0
    spread = mass_t * (1.0 + rotary) * noise * float(np.linalg.norm(np.concatenate([v0, v1])))
    at = np.minimum(np.concatenate([starts, stops]), len(speed) - 1)
    hidden = float(np.linalg.norm(run.series.slipped[at] * np.concatenate([v0, v1]) ** 2))
    parts = {
        mass: value * run.train.mass_rel_u(side),
        UncertaintyCause(CauseKind.ROTARY, run.train.owner(side)): mass_t
        * change
        * run.train.rotary_u(side),
        run.instruments.wheel_cause: 2.0 * value * run.instruments.wheel_rel_u,
        UncertaintyCause(CauseKind.RANDOM_SPEED, run.name): spread,
    }
    if hidden > 0.0:
        parts[UncertaintyCause(CauseKind.SLIP, run.name)] = mass_t * (1.0 + rotary) * hidden
    return Measured(value, "kJ", parts)


def _edge_speed(
    speed: NDArray[np.float64], edges: NDArray[np.int64], held: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Speed (k,) at the left edges of bins: between the two bins where both are known."""
    left, right = np.maximum(edges - 1, 0), np.minimum(edges, len(speed) - 1)
    inside = np.where(held[right], right, left)
    both = 0.5 * (speed[left] + speed[right])
    return np.where(np.isfinite(both), both, np.nan_to_num(speed[inside]))


def _sum(
    force_kN: NDArray[np.float64],
    ds: NDArray[np.float64],
    cause: UncertaintyCause,
    relative: float,
) -> Measured:
    value = float(np.nansum(force_kN * ds))
    return Measured(value, "kJ", {cause: value * relative})


def _rolling(
    run: RunBasis,
    ds: NDArray[np.float64],
    mass_t: float,
    rolling_N_per_t: Callable[[float], Measured],
) -> Measured:
    speeds = np.abs(run.series.speed_m_s) * KM_H_PER_M_S
    top = max(float(np.nanmax(speeds, initial=1.0)), 1.0)
    edges = np.linspace(0.0, top * 1.0001, 25)
    metres, _ = np.histogram(np.nan_to_num(speeds), bins=edges, weights=np.abs(ds))
    result = Measured(0.0, "kJ")
    for low, high, length in zip(edges[:-1], edges[1:], metres, strict=True):
        if length > 0.0:
            at = rolling_N_per_t(float(low + high) / 2)
            result = result.plus(at.scaled(mass_t * float(length) / 1000.0, "kJ"))
    # A tonne's share was worked with the same mass, and has its error the other way about.
    mass = UncertaintyCause(CauseKind.MASS, run.train.owner(Side.TRAILING))
    return result.with_part(mass, result.value * run.train.mass_rel_u(Side.TRAILING))
