"""The lines of a force cell's budget: each cause, its size at each force, its distribution.

Symbols: F force, F_N the largest applied, σ the scatter of one reading, n a number of series or
positions. A line that rests on a bound instead of a measurement carries its caution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.budget import defaults
from calibration.budget.series_effects import (
    Mounting,
    Scatter,
    ZeroShifts,
    mounting,
    scatter,
    zero_shifts,
)
from calibration.statistics.gum import Component
from calibration.statistics.half_width import Shape

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.budget.working_curve import WorkingCurve
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries

__all__ = ["BenchFacts", "line", "unknown_line"]

NOISE_KEPT: Final = 0.25
"""Of the scatter counted twice (in the spread over positions or the shifts of zeros, and on its
own) so much stays: a spread of few is too uncertain to have all of it taken out. Found by drawing:
the sum then holds 93 to 98 % whether scatter, mounting or zeros dominate."""


@dataclass(frozen=True, kw_only=True)
class BenchFacts:
    """What the lines of one sense are worked out from."""

    loads: LoadSeries
    curve: WorkingCurve
    settings: BenchSettings
    grid_kN: NDArray[np.float64]
    """(m,) magnitudes from 0 to the largest."""
    scatter: Scatter = field(init=False)
    mounting: Mounting = field(init=False)
    zeros: ZeroShifts = field(init=False)
    hat: NDArray[np.float64] = field(init=False)
    """(m, n) what each reading's error does to the curve at each force."""

    def __post_init__(self) -> None:
        loads, curve = self.loads, self.curve
        made = {
            "scatter": scatter(loads, curve),
            "mounting": mounting(loads, curve),
            "zeros": zero_shifts(loads, self.kN_per_reading),
            "hat": curve.sensitivity(self.grid_kN),
        }
        for name, value in made.items():
            object.__setattr__(self, name, value)

    @property
    def kN_per_reading(self) -> float:
        moving = self.largest_kN - self.curve.preload_kN
        return float(abs(moving / self.loads.full_scale))

    @property
    def largest_kN(self) -> float:
        return float(self.grid_kN[-1])

    @property
    def capacities(self) -> float:
        """Capacity over the largest force: a data sheet speaks of the capacity."""
        return (self.settings.capacity_kN or self.largest_kN) / self.largest_kN

    @property
    def positions_measured(self) -> bool:
        return self.mounting.positions >= defaults.FEWEST_POSITIONS

    @property
    def zeros_measured(self) -> bool:
        return self.zeros.series >= defaults.FEWEST_SERIES

    @property
    def series(self) -> int:
        """How many series the curve is the mean of, 1 at least."""
        return max(1, len(self.loads.zero_before))

    @property
    def by_zero(self) -> NDArray[np.float64]:
        """(m,) by how much the curve moves when all readings are shifted alike."""
        return np.asarray(np.sum(self.hat, axis=1))

    def mounting_factor(self, n: int) -> NDArray[np.float64]:
        """(m,) ``F √(1 + 1/n)``: the new mounting, and the mean of n in the curve."""
        return self.grid_kN * math.sqrt(1.0 + 1.0 / n)

    def zero_factor(self, n: int) -> NDArray[np.float64]:
        """(m,) ``√(1 + g²/n)``: the new shift, and what the mean of n does to the curve."""
        return np.sqrt(1.0 + self.by_zero**2 / n)

    def noise_needed(self) -> NDArray[np.float64]:
        """(m,) variance over σ² that scatter has in the use: the reading, curve and half-loop."""
        zeros = self.by_zero**2 / self.series if self.loads.has_zero else 0.0
        pairs = self.curve.loop.pairs
        loop = 0.5 / float(np.mean(pairs[pairs > 0.0])) if self.curve.loop.known else 0.0
        return np.asarray(1.0 + np.sum(self.hat**2, axis=1) + zeros + loop)

    def noise_claimed(self) -> NDArray[np.float64]:
        """(m,) the part of it that measured spreads already hold."""
        claimed = np.zeros(len(self.grid_kN))
        if self.positions_measured:
            factor = self.mounting_factor(self.mounting.positions)
            claimed += (self.mounting.noise * factor) ** 2
        if self.zeros_measured:
            # A change of zero is the difference of two readings.
            claimed += 2.0 * self.zero_factor(self.zeros.series) ** 2
        return claimed

    def less_noise(self, spread_kN: float, noise: float) -> NDArray[np.float64]:
        """(m,) a measured spread without the scatter counted twice.

        ``noise`` is the standard deviation, over σ, that scatter alone gives the spread.
        """
        claimed = self.noise_claimed()
        kept = np.minimum(1.0, self.noise_needed() / np.where(claimed > 0.0, claimed, np.inf))
        kept = np.where(claimed > 0.0, kept + NOISE_KEPT * (1.0 - kept), 1.0)
        own = (noise * self.scatter.sd_kN) ** 2
        square = np.maximum(spread_kN**2 - (1.0 - kept) * own, kept * spread_kN**2)
        return np.asarray(np.sqrt(square))


def line(
    facts: BenchFacts,
    name: str,
    standard: ArrayLike,
    shape: Shape,
    basis: str,
    *,
    dof: float = math.inf,
    caution: str = "",
) -> Component:
    """One line; ``standard`` broadcasts to the forces. Of readings where dof is finite."""
    values = np.broadcast_to(np.asarray(standard, dtype=np.float64), facts.grid_kN.shape).copy()
    return Component(
        name=name, standard=values, dof=dof, evaluation="B" if math.isinf(dof) else "A",
        distribution=shape, basis=basis, caution=caution,
    )  # fmt: skip


def unknown_line(name: str, reason: str, *, caution: str = "") -> Component:
    """A line without a number, and why."""
    return Component(
        name=name, standard=None, dof=math.inf, evaluation="B",
        distribution=None, basis=reason, caution=caution,
    )  # fmt: skip
