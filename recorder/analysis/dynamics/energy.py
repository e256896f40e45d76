"""The energy ledger: work at the drawbar against what became of it.

``∫F ds = ΔE_potential + ΔE_kinetic + curve work + rolling work + closure``. Rolling work uses a
resistance that was *not* fitted on the same stretches where that can be had; the closure error
is shown with its own uncertainty, and a run that does not close is not believed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from recorder.analysis.series.corrections import G_M_S2, Corrected
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import Train
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.measured import Measured

__all__ = ["Ledger", "ledger", "work"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
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
    closure: Measured | None
    """Total work less everything accounted for."""
    seconds: float
    metres: float
    seconds_missing: float
    brake_seconds: float

    @property
    def closes(self) -> bool | None:
        """Whether zero lies inside the closure's uncertainty; ``None`` if not known."""
        if self.closure is None or not math.isfinite(self.closure.value):
            return None
        return abs(self.closure.value) <= self.closure.expanded


def work(
    series: Series, evidence: InstrumentUncertainty
) -> tuple[Measured, Measured, Measured]:
    """Draft, buff and total work at the drawbar, kJ, by pull over distance.

    Each bin's mean pull acts over the distance of the bin; tension and buff are added apart.
    The calibration's part is its uncertainty at each force, fully correlated over the run.
    """
    metres = series.speed_m_s * series.step_s
    joules = series.pull_kN * metres
    good = np.isfinite(joules)
    force = series.pull_kN[good]
    ds = metres[good]
    grid = np.linspace(-1.0, 1.0, 41) * max(float(np.abs(force).max(initial=0.0)), 1e-9)
    u_at = np.interp(force, grid, [evidence.pull_u_kN(float(f)) for f in grid])

    def total(pick: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Measured:
        value = float(np.sum(force[pick] * ds[pick]))
        parts = {
            # An error of scale has the sign of the force; one of zero does not.
            evidence.pull_cause: float(np.sum(u_at[pick] * np.sign(force[pick]) * ds[pick])),
            evidence.zero_cause: evidence.zero_u_kN * float(np.sum(ds[pick])),
            evidence.wheel_cause: evidence.wheel_rel_u * value,
        }
        return Measured(value, "kJ", parts, {evidence.pull_cause: evidence.pull_dof})

    return total(force > 0.0), total(force < 0.0), total(np.isfinite(force))


def ledger(
    series: Series,
    corrected: Corrected,
    train: Train,
    evidence: InstrumentUncertainty,
    rolling_N_per_t: Callable[[float], Measured] | None = None,
    braked: np.ndarray[tuple[int], np.dtype[np.bool_]] | None = None,
) -> Ledger:
    """Draw up the ledger of a run (or a piece of one).

    ``rolling_N_per_t`` gives the trailing resistance per tonne at a speed in km/h. Bins in
    ``braked`` are left out of the balance: brake work is not measured at the drawbar.
    """
    draft, buff, total = work(series, evidence)
    known = np.isfinite(series.pull_kN) & np.isfinite(series.speed_m_s)
    balanced = known if braked is None else known & ~braked
    step = series.step_s
    ds = np.where(balanced, series.speed_m_s * step, 0.0)
    mass = train.trailing_mass_t
    potential = kinetic = curve = rolling = closure = None
    if mass is not None:
        potential = _sum(
            corrected.trailing_grade_kN, ds, "trailing mass", train.assumed.mass_rel
        )
        potential = potential.with_part(
            "trailing grade of the run",
            mass * G_M_S2 * train.assumed.grade * math.sqrt(abs(float(ds.sum())) * 500.0),
        )
        kinetic = _sum(
            corrected.trailing_acceleration_kN, ds, "trailing mass", train.assumed.mass_rel
        )
        curve = _sum(
            corrected.trailing_curve_kN,
            ds,
            "curve resistance constant",
            train.assumed.curve_rel,
        )
        if rolling_N_per_t is not None:
            rolling = _rolling(series, ds, mass, rolling_N_per_t)
            accounted = potential.plus(kinetic).plus(curve).plus(rolling)
            closure = _balanced_work(series, ds, evidence).minus(accounted)
    return Ledger(
        draft_work=draft,
        buff_work=buff,
        total_work=total,
        potential=potential,
        kinetic=kinetic,
        curve=curve,
        rolling=rolling,
        closure=closure,
        seconds=float(known.sum() * step),
        metres=float(np.nansum(series.speed_m_s[known]) * step),
        seconds_missing=float((~known).sum() * step),
        brake_seconds=0.0 if braked is None else float((known & braked).sum() * step),
    )


def _balanced_work(
    series: Series,
    ds: np.ndarray[tuple[int], np.dtype[np.float64]],
    evidence: InstrumentUncertainty,
) -> Measured:
    moving = ds != 0.0
    if not moving.any():
        return Measured(0.0, "kJ")
    pull = np.where(moving, np.nan_to_num(series.pull_kN), 0.0)
    value = float(np.sum(pull * ds))
    mean = float(np.sum(pull * np.abs(ds)) / np.sum(np.abs(ds)))
    metres = float(np.sum(np.abs(ds)))
    parts = {
        evidence.pull_cause: evidence.pull_u_kN(mean) * metres,
        evidence.zero_cause: evidence.zero_u_kN * metres,
        evidence.wheel_cause: evidence.wheel_rel_u * value,
    }
    return Measured(value, "kJ", parts, {evidence.pull_cause: evidence.pull_dof})


def _sum(
    force_kN: np.ndarray[tuple[int], np.dtype[np.float64]],
    ds: np.ndarray[tuple[int], np.dtype[np.float64]],
    cause: str,
    relative: float,
) -> Measured:
    value = float(np.nansum(force_kN * ds))
    return Measured(value, "kJ", {cause: value * relative})


def _rolling(
    series: Series,
    ds: np.ndarray[tuple[int], np.dtype[np.float64]],
    mass_t: float,
    rolling_N_per_t: Callable[[float], Measured],
) -> Measured:
    speeds = np.abs(series.speed_m_s) * 3.6
    top = max(float(np.nanmax(speeds, initial=1.0)), 1.0)
    edges = np.linspace(0.0, top * 1.0001, 25)
    metres, _ = np.histogram(np.nan_to_num(speeds), bins=edges, weights=np.abs(ds))
    result = Measured(0.0, "kJ")
    for low, high, length in zip(edges[:-1], edges[1:], metres, strict=True):
        if length > 0.0:
            at = rolling_N_per_t(float(low + high) / 2)
            result = result.plus(at.scaled(mass_t * float(length) / 1000.0, "kJ"))
    return result
