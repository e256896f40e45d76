"""The masses as the train itself shows them, held against the trip sheet.

Over free running the pull at the coupler is ``M·g·i + M·(1 + γ)·a`` plus curve and running
resistance. Its regression on grade and on acceleration, each by itself, with a quadratic in
speed for the resistance, gives the trailing mass twice: once by gravity, once by inertia. A wrong
mass or unit of pull moves both alike, a wrong unit of speed only the second, a wrong sign turns
both. In the same way what the equivalent pull of judged stretches still follows of grade and
acceleration is an error of the locomotive's mass.

Neighbouring pieces are not independent: the uncertainty is by the jackknife over blocks of the
run (B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans, 1982, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.series.series import UNFIT, GradeSource
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["MassCheck", "MassEstimate", "check_mass", "estimate_masses"]

PIECE_S: Final = 10.0
BLOCKS: Final = 16
"""Blocks of the jackknife: each holds minutes, longer than grades and wander last."""
LEAST_PIECES: Final = 60
"""Ten minutes of free running: with less a mass is not estimated."""
SLOWEST_M_S: Final = 1.5
"""Below, starting resistance is another thing."""
TELLING: Final = 0.08
"""Relative standard uncertainty beyond which an estimate tells nothing."""
SIGMAS: Final = 4.0
"""Of a difference that is told: honest runs are many, and a doubt stops a verdict."""
LEAST_AWAY: Final = 0.05
"""A difference below 5 % is never told: rotary allowance and bearings differ by as much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MassEstimate:
    """Trailing mass, tonnes, by gravity and by inertia; ``None`` where the run does not tell."""

    by_grade: Measured | None
    by_acceleration: Measured | None

    @property
    def joined(self) -> Measured | None:
        """Both, weighted by their uncertainty; the one there is; ``None`` without either."""
        held = [m for m in (self.by_grade, self.by_acceleration) if m is not None]
        if len(held) < 2:
            return held[0] if held else None
        a, b = held
        if abs(a.value - b.value) > SIGMAS * math.hypot(a.u, b.u):
            return None
        wa, wb = 1.0 / a.u**2, 1.0 / b.u**2
        return a.scaled(wa / (wa + wb)).plus(b.scaled(wb / (wa + wb)))


@dataclass(frozen=True, slots=True, kw_only=True)
class MassCheck:
    """The estimate against the trip sheet."""

    estimate: MassEstimate
    stated_t: float
    stated_u_t: float

    @property
    def agrees(self) -> bool | None:
        """Whether both agree within four standard uncertainties; ``None`` when the run does
        not tell."""
        found = [
            m for m in (self.estimate.by_grade, self.estimate.by_acceleration) if m is not None
        ]
        if not found:
            return None
        return not any(self._away(m) for m in found)

    def _away(self, found: Measured) -> bool:
        off = abs(found.value - self.stated_t)
        u = math.hypot(found.u, self.stated_u_t)
        return off > SIGMAS * u and off > LEAST_AWAY * self.stated_t


def check_mass(run: RunBasis, braked: NDArray[np.bool_]) -> MassCheck | None:
    """The trailing mass of the sheet against the run; ``None`` without a mass in the sheet."""
    stated = run.train.trailing.mass_t
    if stated is None:
        return None
    return MassCheck(
        estimate=estimate_masses(run, braked),
        stated_t=stated,
        stated_u_t=stated * run.train.mass_rel_u(Side.TRAILING),
    )


def estimate_masses(run: RunBasis, braked: NDArray[np.bool_]) -> MassEstimate:
    """Trailing mass by gravity and by inertia, over running that ``braked`` (n,) leaves free."""
    series = run.series
    free = (
        (series.speed_m_s > SLOWEST_M_S)
        & ~braked
        & (series.flags & UNFIT == 0)
        & np.isfinite(series.pull_kN)
        & np.isfinite(series.acceleration_m_s2)
        & np.isfinite(series.trailing_grade)
    )
    pieces = _pieces(run, free)
    if pieces is None:
        return MassEstimate(by_grade=None, by_acceleration=None)
    return _fitted(run, pieces)


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Means over whole pieces, (k,) each."""

    pull_kN: NDArray[np.float64]
    """Less curve resistance."""
    curve_kN: NDArray[np.float64]
    weight: NDArray[np.float64]
    """g·i, kN per tonne."""
    inertia: NDArray[np.float64]
    """(1 + γ)·a, kN per tonne."""
    speed_m_s: NDArray[np.float64]


def _pieces(run: RunBasis, free: NDArray[np.bool_]) -> _Pieces | None:
    series = run.series
    n = max(2, round(PIECE_S / series.step_s))
    count = len(series) // n
    whole = free[: count * n].reshape(count, n).all(axis=1)
    if whole.sum() < LEAST_PIECES:
        return None

    def means(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(values[: count * n].reshape(count, n)[whole].mean(axis=1))

    rotary = 1.0 + run.train.trailing.rotary
    curve = run.corrected.trailing.curve_kN
    return _Pieces(
        pull_kN=means(np.where(free, series.pull_kN - curve, 0.0)),
        curve_kN=means(np.where(free, curve, 0.0)),
        weight=means(np.where(free, series.trailing_grade, 0.0)) * G_M_S2,
        inertia=means(np.where(free, series.acceleration_m_s2, 0.0)) * rotary,
        speed_m_s=means(np.where(free, np.abs(series.speed_m_s), 0.0)),
    )


def _fitted(run: RunBasis, pieces: _Pieces) -> MassEstimate:
    graded = run.series.grade_source is not GradeSource.UNKNOWN
    graded = graded and float(np.ptp(pieces.weight)) > 0.0
    columns = [pieces.inertia, *([pieces.weight] if graded else [])]
    noises = [_u_inertia(run), *([G_M_S2 * run.train.assumed.grade] if graded else [])]
    v = pieces.speed_m_s / max(float(pieces.speed_m_s.max()), 1e-9)
    design = np.column_stack([*columns, np.ones_like(v), v, v * v])
    noise = np.diag([s**2 for s in noises] + [0.0] * 3)

    def solve(
        rows: NDArray[np.bool_], held: NDArray[np.float64] = pieces.pull_kN
    ) -> NDArray[np.float64]:
        x, y = design[rows], held[rows]
        # What the known errors of grade and acceleration add to their own squares comes off.
        normal = x.T @ x - rows.sum() * noise
        return np.asarray(np.linalg.lstsq(normal, x.T @ y, rcond=None)[0])

    value, u = _jackknife(len(v), solve)
    # What an error of the curve resistance, which was taken off the pull, makes of the masses.
    bent = run.train.assumed.curve_rel * solve(np.ones(len(v), bool), pieces.curve_kN)
    found = [
        _mass(run, float(value[i]), float(u[i]), -float(bent[i]), kind)
        for i, kind in enumerate(
            [CauseKind.ACCELERATION, *([CauseKind.GRADE] if graded else [])]
        )
    ]
    return MassEstimate(by_grade=found[1] if graded else None, by_acceleration=found[0])


def _u_inertia(run: RunBasis) -> float:
    """Standard uncertainty of the mean acceleration of a piece: of the speeds at its two ends, by
    their scatter; as assumed where the speed shows none."""
    speed = run.series.speed_m_s
    apart = np.diff(speed[np.isfinite(speed)], 2)
    seen = normal_sd(apart) / math.sqrt(6.0) if len(apart) else 0.0
    assumed = run.series.u_acceleration_m_s2 * math.sqrt(5.0 / PIECE_S)
    return min(math.sqrt(2.0) * seen / PIECE_S, assumed) if seen > 0.0 else assumed


def _jackknife(
    n: int, solve: Callable[[NDArray[np.bool_]], NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Coefficients, and their standard uncertainties by leaving out one block after the other."""
    block = np.arange(n) * BLOCKS // n
    whole = solve(np.ones(n, bool))
    without = np.array([solve(block != k) for k in range(BLOCKS)])
    spread = without - without.mean(axis=0)
    return whole, np.sqrt((BLOCKS - 1.0) / BLOCKS * np.sum(spread**2, axis=0))


def _mass(
    run: RunBasis, value_t: float, u_t: float, bent_t: float, kind: CauseKind
) -> Measured | None:
    """With what is common to the run; ``None`` where it would tell nothing."""
    if not math.isfinite(value_t) or not u_t <= TELLING * abs(value_t):
        return None
    typical_kN = float(np.nanmedian(np.abs(run.series.pull_kN)))
    calibration = run.instruments.calibration(typical_kN, value_t / max(typical_kN, 1e-9))
    own = UncertaintyCause(CauseKind.FIT, f"of mass by {kind} of {run.name}")
    found = Measured(value_t, "t", {own: u_t} | calibration, {own: BLOCKS - 1.0})
    found = found.with_part(UncertaintyCause(CauseKind.CURVE), bent_t)
    if kind is CauseKind.ACCELERATION:
        rotary = run.train.rotary_u(Side.TRAILING) / (1.0 + run.train.trailing.rotary)
        found = found.with_part(
            run.instruments.wheel_cause, -run.instruments.wheel_rel_u * value_t
        )
        found = found.with_part(
            UncertaintyCause(CauseKind.ROTARY, run.train.owner(Side.TRAILING)),
            -rotary * value_t,
        )
    return found
