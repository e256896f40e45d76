"""What the checks look at: a run on its grid, and what stands beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.series.series import UNFIT
from recorder.run.checks.motion import MOVES_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.run.checks.channel_health import Episode
    from recorder.run.values.certificate_standing import Standings
    from recorder.sheets import TripSheet
    from recorder.track.placing.placement import Placement
    from recorder.track.route.route import Route

__all__ = ["Evidence", "block_means", "middle_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One run to be doubted."""

    run: RunBasis
    braked: NDArray[np.bool_]
    """(n,) bins in which the brake was marked as on."""
    trip: TripSheet | None = None
    route: Route | None = None
    placement: Placement | None = None
    gnss_speed_m_s: NDArray[np.float64] | None = None
    """(n,) on the grid; ``None`` without a receiver."""
    episodes: tuple[Episode, ...] = ()
    """Stretches in which a channel was not sound, as the seal found them."""
    zero_watched: bool = False
    """Whether the seal looked for a drift of the pull at rest: by a certificate alone can it."""
    speed_by_receiver: bool = False
    """Whether the speed is a receiver's, for want of a wheel."""
    standings: Standings = field(default_factory=dict)
    """How each certificate of the run stands."""

    @property
    def running(self) -> NDArray[np.bool_]:
        """(n,) moving behind the locomotive, unbraked, pull and speed known and fit."""
        series = self.run.series
        with np.errstate(invalid="ignore"):
            moving = series.speed_m_s > MOVES_M_S
        fit = (series.flags & np.uint8(UNFIT)) == 0
        known = np.isfinite(series.pull_kN) & np.isfinite(series.speed_m_s)
        return np.asarray(moving & fit & known & ~self.braked)


def block_means(values: NDArray[np.float64], every: int) -> NDArray[np.float64]:
    """Means (n // every,) of whole blocks; NaN where any value of a block is missing."""
    whole = len(values) // every
    return np.asarray(values[: whole * every].reshape(whole, every).mean(axis=1))


def middle_of(ratios: NDArray[np.float64]) -> tuple[float, float]:
    """Median of (n,) ratios and its standard uncertainty, by their median deviation."""
    middle = float(np.median(ratios))
    scatter = normal_sd(ratios - middle)
    # 1.25: the median's standard error over the mean's, of normal scatter.
    return middle, 1.25 * scatter / math.sqrt(len(ratios))
