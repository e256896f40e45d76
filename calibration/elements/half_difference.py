"""Area and friction of a capsule or a draft spring by half sums and half differences.

What friction holds back while the force rises it holds up while the force falls, so that at one
force F the element shows ``x↑ = x(F − f)`` and ``x↓ = x(F + f)``. The half sum is free of
friction and gives the area (or the rate of a spring), the half difference is friction alone::

    F = P + G (x↑ + x↓)/2          G effective area or rate, P preload and zero
    f = G (x↓ − x↑)/2 = f₀ + f₁ F

As the trade does it (from memory) for pistons, capsules and pressure balances; statics of the
element. Forces taken one way only (the largest, as a rule) do not enter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import fdtri, stdtrit

from calibration.budget.half_loop import FrictionLoop

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.load_series import LoadSeries

__all__ = ["MIN_FORCES", "Estimate", "HalfDifference", "Line", "half_difference"]

MIN_FORCES: Final = 3
BEND_LEVEL: Final = 0.999
"""How sure a bend must be before it is more than scatter: one straight capsule in a thousand
is called bent."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, its standard error, and half its 95 % interval by Student's factors."""

    value: float
    standard_error: float
    U: float

    def detail(self) -> dict[str, float]:
        """Plain JSON beside the value."""
        return {"standard_error": self.standard_error, "U": self.U}


@dataclass(frozen=True, slots=True)
class Line:
    """``y = constant + slope·x`` over several series."""

    constant: Estimate
    slope: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfDifference:
    """What the pairs of rising and falling readings say; forces in kN, magnitudes."""

    force_kN: NDArray[np.float64]
    """(n,) forces taken both ways, series after series."""
    middle: NDArray[np.float64]
    """(n,) half sum of the deflections, unit of reading, positive with force."""
    half: NDArray[np.float64]
    """(n,) half difference, falling less rising."""
    position: NDArray[np.int64]
    """(n,) which position each belongs to."""
    force_line: Line
    """Force from middle: slope kN for one unit of reading, constant kN. Positions with rising
    series alone enter less the friction that the others show."""
    friction: Line
    """Friction from force: kN, and kN for each kN."""
    bend: Estimate
    """Second-degree term of force from middle, kN for one unit of reading squared; its U is for
    99.9 %."""
    largest_kN: float
    """The largest force applied."""
    slope_at_zero: Estimate
    """Slope of force from middle at small forces where the line is bent."""

    @property
    def gain(self) -> Estimate:
        """kN for one unit of reading: of the straight line, or at small forces of a bent one."""
        return self.slope_at_zero if self.bent else self.force_line.slope

    @property
    def friction_loop(self) -> FrictionLoop:
        """The friction as a half-loop in the unit of reading, over shares of the largest force."""
        gain, line = self.force_line.slope.value, self.friction
        return FrictionLoop(
            line.constant.value / gain, line.slope.value * self.largest_kN / gain
        )

    @property
    def bent(self) -> bool:
        """Whether force from middle is no straight line, beyond scatter."""
        return abs(self.bend.value) > self.bend.U


def half_difference(loads: LoadSeries, *, moved: float = 0.0) -> HalfDifference | str:
    """Half sums and half differences of one sense, and the lines through them.

    ``moved`` leaves out forces at which the rising element stands below that share of its
    largest deflection: a spring that its preload still holds. Returns why it cannot be done,
    in words, when no series was taken both ways at three forces or more.
    """
    force = np.abs(loads.levels) * loads.readings.kN_per_unit
    sign = float(np.sign(loads.mean_at_levels()[-1]))
    least = moved * loads.full_scale
    pairs = [
        (place, *_both(force, _above(sign * up, least), sign * down))
        for place, up, down in _pairs(loads)
    ]
    pairs = [pair for pair in pairs if len(pair[1]) >= MIN_FORCES]
    if not pairs:
        return f"no series was taken rising and falling at {MIN_FORCES} forces or more"
    place = np.concatenate([np.full(len(f), p) for p, f, _, _ in pairs])
    forces, middle, half = (np.concatenate([p[i] for p in pairs]) for i in (1, 2, 3))
    slope = _line(middle, forces, place).slope.value
    friction = _line(forces, slope * half, place)
    held = (friction.constant.value + friction.slope.value * force) / slope
    alone = [
        (p, *_both(force, _above(sign * up, least) + held, sign * up + held))
        for p, up in _rising_alone(loads, {int(p) for p in place})
    ]
    lone = np.concatenate([place, *(np.full(len(f), p) for p, f, _, _ in alone)])
    x = np.concatenate([middle, *(m for _, _, m, _ in alone)])
    y = np.concatenate([forces, *(f for _, f, _, _ in alone)])
    bend, first = _bent_line(x, y, lone)
    return HalfDifference(
        force_kN=forces,
        middle=middle,
        half=half,
        position=place,
        force_line=_line(x, y, lone),
        friction=friction,
        bend=bend,
        slope_at_zero=first,
        largest_kN=float(force[-1]),
    )


def _above(values: NDArray[np.float64], least: float) -> NDArray[np.float64]:
    with np.errstate(invalid="ignore"):
        return np.where(values < least, np.nan, values)


def _both(
    force: NDArray[np.float64], up: NDArray[np.float64], down: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Force, half sum and half difference where both were read."""
    both = ~np.isnan(up) & ~np.isnan(down)
    return force[both], (up[both] + down[both]) / 2.0, (down[both] - up[both]) / 2.0


def _pairs(
    loads: LoadSeries,
) -> list[tuple[int, NDArray[np.float64], NDArray[np.float64]]]:
    """Position (−1 not stated), rising and falling deflections at the levels."""
    if not loads.branches:
        rising, falling = (loads.mean_at_levels(loads.direction == way) for way in (1, -1))
        return [(-1, rising, falling)]
    return [
        (up.place, up.at, down.at)
        for up in loads.branches
        for down in loads.branches
        if up.direction > 0 > down.direction
        and (up.series, up.place) == (down.series, down.place)
    ]


def _rising_alone(loads: LoadSeries, paired: set[int]) -> list[tuple[int, NDArray[np.float64]]]:
    """Rising series at positions where none was taken falling."""
    return [
        (branch.place, branch.at)
        for branch in loads.branches
        if branch.direction > 0
        and branch.place not in paired
        and np.count_nonzero(~np.isnan(branch.at)) >= MIN_FORCES
    ]


def _line(x: NDArray[np.float64], y: NDArray[np.float64], group: NDArray[np.int64]) -> Line:
    """Mean of the lines of the groups, each with a constant and a slope of its own."""
    names = np.unique(group)
    each, spread, residual, dof = [], np.zeros(2), 0.0, 0
    for name in names:
        here = group == name
        design = np.column_stack((np.ones(np.count_nonzero(here)), x[here]))
        solution, *_ = np.linalg.lstsq(design, y[here], rcond=None)
        left = y[here] - design @ solution
        each.append(solution)
        spread += np.diag(np.linalg.pinv(design.T @ design))
        residual += float(left @ left)
        dof += len(left) - 2
    variance = spread * residual / max(dof, 1) / len(names) ** 2
    values = np.array(each)
    return Line(
        *(
            _with_groups(float(values[:, i].mean()), float(variance[i]), dof, values[:, i])
            for i in range(2)
        )
    )


def _with_groups(
    value: float, variance: float, dof: int, each: NDArray[np.float64]
) -> Estimate:
    """Scatter of readings, and what groups differ beyond it.

    ``u² = u_r² + max(0, s²/k − u_r²)`` with the variance s² of the values of k groups (mountings)
    and u_r from the scatter of single readings: a component of variance by moments, left out
    where the F ratio is one that scatter alone shows in one case of five.
    ``U² = (t_r u_r)² + t_k² (u² − u_r²)``, each part with its own Student's factor.
    """
    k = len(each)
    between = float(np.var(each, ddof=1)) / k if k > 1 else 0.0
    shown = k > 1 and between > variance * float(fdtri(k - 1, max(dof, 1), 0.8))
    beyond = between - variance if shown else 0.0
    factors = stdtrit([max(dof, 1), max(k - 1, 1)], 0.975)
    return Estimate(
        value,
        math.sqrt(variance + beyond),
        U=math.sqrt(factors[0] ** 2 * variance + factors[1] ** 2 * beyond),
    )


def _bent_line(
    x: NDArray[np.float64], y: NDArray[np.float64], group: NDArray[np.int64]
) -> tuple[Estimate, Estimate]:
    """Second-degree term (U for 99.9 %), and the slope at x = 0 beside it.

    Each group has a constant and a slope of its own: a mounting that stands higher, or a zero
    that moved, is no bend.
    """
    scale = float(np.max(np.abs(x))) or 1.0
    names = np.unique(group)
    own = [column for s in names for column in _own(group == s, x / scale)]
    design = np.column_stack([*own, (x / scale) ** 2])
    dof = len(x) - design.shape[1]
    if dof < 1:
        return Estimate(0.0, math.inf, math.inf), Estimate(math.nan, math.inf, math.inf)
    solution, *_ = np.linalg.lstsq(design, y, rcond=None)
    left = y - design @ solution
    covariance = np.linalg.pinv(design.T @ design) * float(left @ left) / dof
    error = math.sqrt(float(covariance[-1, -1])) / scale**2
    factor = float(stdtrit(dof, 0.5 + BEND_LEVEL / 2.0))
    mean = np.zeros(design.shape[1])
    mean[1:-1:2] = 1.0 / len(names) / scale
    slopes = np.asarray(solution[1:-1:2] / scale, dtype=np.float64)
    first = _with_groups(float(mean @ solution), float(mean @ covariance @ mean), dof, slopes)
    return Estimate(float(solution[-1]) / scale**2, error, factor * error), first


def _own(
    here: NDArray[np.bool_], x: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return here.astype(np.float64), np.where(here, x, 0.0)
