"""What the series of a calibration show beside the curve: scatter, mounting, shifts of the zero.

Each series (rising with its falling) may differ from the others by a constant (its zero shifted)
and by a share of the force (it was mounted anew). With these and the means at each force taken
out, what is left is the scatter of single readings, pooled over the whole programme.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.budget.half_loop import group_of
from calibration.readings.positions import turn_deg

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.budget.working_curve import WorkingCurve
    from calibration.readings.load_series import LoadSeries

__all__ = ["Mounting", "Scatter", "ZeroShifts", "mounting", "scatter", "zero_shifts"]

FEWEST_FORCES: Final = 3
"""Of a series, to tell a share of the force from a constant (one more than unknowns)."""
APART_DEG: Final = 30.0
"""A cell turned by less stands as it stood (from experience)."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of one reading, kN."""

    sd_kN: float
    dof: float
    basis: str


def scatter(loads: LoadSeries, curve: WorkingCurve) -> Scatter:
    """Pooled over all readings; about the curve where no force was repeated in one direction."""
    residual = curve.residual_kN(loads)
    cell = loads.level_of * 3 + loads.direction + 1
    _, cell = np.unique(cell, return_inverse=True)
    share = np.abs(loads.force) / loads.largest
    group = group_of(loads)
    columns = np.zeros((len(share), 2 * (int(np.max(group)) + 1)))
    columns[np.arange(len(share)), 2 * group] = 1.0
    columns[np.arange(len(share)), 2 * group + 1] = share
    left, effects = _less_means(residual[:, None], cell)[:, 0], _less_means(columns, cell)
    gram = effects.T @ effects
    values, vectors = np.linalg.eigh(gram)
    kept = values > 1e-9 * max(float(values[-1]), 1e-300)
    shown = vectors[:, kept].T @ (effects.T @ left)
    dof = len(left) - (int(np.max(cell)) + 1) - int(np.count_nonzero(kept))
    if dof < 1:
        return _about_curve(loads, curve, residual)
    rest = max(float(left @ left - np.sum(shown**2 / values[kept])), 0.0)
    return Scatter(
        math.sqrt(rest / dof),
        float(dof),
        "readings about the mean of their force and direction, constant and slope of each"
        " series taken out",
    )


def _less_means(values: NDArray[np.float64], cell: NDArray[np.int64]) -> NDArray[np.float64]:
    """(n, k) each column less its mean over the cell."""
    count = np.bincount(cell)
    order = np.argsort(cell, kind="stable")
    starts = np.concatenate(([0], np.cumsum(count)[:-1]))
    means = np.add.reduceat(values[order], starts, axis=0) / count[:, None]
    return np.asarray(values - means[cell])


def _about_curve(
    loads: LoadSeries, curve: WorkingCurve, residual: NDArray[np.float64]
) -> Scatter:
    """From the means at each force: rising and falling, loop taken out, are one there."""
    index = loads.level_of
    count = np.bincount(index)
    means = np.bincount(index, weights=residual) / count
    dof = len(count) - curve.fit.degree
    basis = "no force repeated in one direction: readings about the curve"
    if dof < 1:
        return Scatter(curve.fit.residual_sd, float(curve.fit.dof), basis)
    return Scatter(math.sqrt(float(count @ means**2) / dof), float(dof), basis)


@dataclass(frozen=True, slots=True)
class Mounting:
    """How far the sensitivity differs from position to position, as shares of the force."""

    positions: int
    """At least ``APART_DEG`` from each other."""
    spread: float
    """Standard deviation over the positions stated; with fewer than three that are apart, the
    largest difference of all angles stated; else 0."""
    noise: float
    """Standard deviation that the scatter of readings alone gives each position's, for one kN of
    scatter: 1/kN."""


def mounting(loads: LoadSeries, curve: WorkingCurve) -> Mounting:
    """Slopes of the first series at each angle; rising readings where there are any.

    A constant is fitted beside each slope: a shift of the zero is not mounting. The angle of a
    series is its first reading's; of several that are one position the first counts, but where
    there are too few positions whatever any two angles differ by stays seen.
    """
    force = np.abs(loads.force) * loads.readings.kN_per_unit
    residual = curve.residual_kN(loads) * loads.sense
    group = group_of(loads)
    angle = loads.position_deg[np.unique(group, return_index=True)[1]][group]
    stated, places, slopes, variances = list[float](), [], [], []
    rising = loads.direction > 0
    for position in np.unique(angle[~np.isnan(angle)]):
        there = angle == position
        if np.any(there & rising):
            there = there & rising
        first = there & (group == group[np.flatnonzero(there)[0]])
        if len(np.unique(loads.level_of[first])) < FEWEST_FORCES:
            continue
        away = force[first] - np.mean(force[first])
        square = float(away @ away)
        stated.append(float(position))
        places.append(int(loads.place[first][0]))
        slopes.append(float(away @ residual[first]) / square)
        variances.append(1.0 / square)
    n = _places(stated)
    if len(slopes) < 2:
        return Mounting(n, 0.0, 0.0)
    noise = math.sqrt(float(np.mean(variances)))
    if n < 3:
        return Mounting(n, float(np.ptp(slopes)), noise)
    once = np.unique(places, return_index=True)[1]
    return Mounting(n, float(np.std(np.array(slopes)[once], ddof=1)), noise)


def _places(positions_deg: list[float]) -> int:
    """How many of the positions are apart on the circle: 0° and 360° are one, so are 0° and 1°."""
    kept: list[float] = []
    for position in positions_deg:
        if all(turn_deg(position, k) >= APART_DEG for k in kept):
            kept.append(position)
    return len(kept)


@dataclass(frozen=True, slots=True)
class ZeroShifts:
    """Changes of the zero over series, kN."""

    series: int
    rms_kN: float
    largest_kN: float


def zero_shifts(loads: LoadSeries, kN_per_reading: float) -> ZeroShifts:
    """Over each series with a zero before and one after; none of them: ``series`` is 0."""
    change = (loads.zero_after - loads.zero_before) * kN_per_reading
    known = change[~np.isnan(change)]
    if not loads.has_zero or len(known) == 0:
        return ZeroShifts(0, 0.0, 0.0)
    return ZeroShifts(
        len(known), float(np.sqrt(np.mean(known**2))), float(np.max(np.abs(known)))
    )
