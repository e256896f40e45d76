"""A run on one even time grid: the ground every figure is worked on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.analysis.series.train import Side

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["UNFIT", "GradeSource", "Series", "grid"]

UNFIT: Final = flag_bits.SATURATED | flag_bits.SUSPECT | flag_bits.UNSOUND
"""Flags that keep a bin out of every judged figure."""
MAX_BINS: Final = 2_000_000
"""Fifty-five hours at a tenth of a second: beyond that it is a slip of the step, and the arrays
of a run would not fit the memory of a small computer."""


class GradeSource(StrEnum):
    """Where the slope under the train comes from."""

    ROUTE = "route"
    CHANNEL = "channel"
    MARKS = "marks"
    UNKNOWN = "unknown"

    @property
    def words(self) -> str:
        """As papers say it."""
        return {"route": "the route", "channel": "a recorded column", "marks": "marks"}.get(
            self.value, "not known"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """All arrays (n,) at bin centres; NaN where there is no data."""

    t_s: NDArray[np.float64]
    step_s: float
    pull_kN: NDArray[np.float64]
    pull_min_kN: NDArray[np.float64]
    pull_max_kN: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    """Positive where the locomotive leads, whichever way the wheel counts; negative where it
    propels."""
    distance_m: NDArray[np.float64]
    acceleration_m_s2: NDArray[np.float64]
    """Towards the locomotive's end."""
    chainage_m: NDArray[np.float64]
    locomotive_grade: NDArray[np.float64]
    """Slope as a fraction, rise towards the locomotive's end positive: in the direction of travel
    but where it propels."""
    trailing_grade: NDArray[np.float64]
    locomotive_curvature_per_m: NDArray[np.float64]
    trailing_curvature_per_m: NDArray[np.float64]
    flags: NDArray[np.uint8]
    """Union of the pull flags of a bin, but of spikes, which are in no mean; ``UNSOUND`` where the
    speed is, too."""
    zero_drift_kN: NDArray[np.float64] | None = None
    """What following the zero over the run took from (or gave to) the pull; ``None`` with one
    zero or none."""
    course_deg: NDArray[np.float64] | None = None
    """Which way the car headed, degrees from north; ``None`` without positions."""
    u_acceleration_m_s2: float = 0.005
    """Standard uncertainty of one bin's acceleration: 0.025 m/s of speed over the five seconds
    it is the slope of; our choice for a pulse wheel."""
    grade_source: GradeSource = GradeSource.UNKNOWN
    speed_limit_m_s: NDArray[np.float64] | None = None
    """Posted on the line; ``None`` when no route tells."""
    gnss_speed_m_s: NDArray[np.float64] | None = None
    """Of a receiver; ``None`` without one."""
    throttle_pct: NDArray[np.float64] | None = None
    """Of full opening, by a channel; ``None`` when the car has none, as the next two."""
    notch: NDArray[np.float64] | None = None
    boiler_pressure_Pa: NDArray[np.float64] | None = None
    wheel_way: NDArray[np.float64] | None = None
    """+1 where the wheel counts up as the locomotive's end goes ahead, −1 where it counts down;
    ``None``: up everywhere."""
    slip: NDArray[np.float64] | None = None
    """Share of the shown speed by which it may stand too low, for a slip of the measuring wheel;
    ``None``: nobody looked."""

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def sound_pull_kN(self) -> NDArray[np.float64]:
        """Pull (n,) with unfit bins unknown: they are no zero, and no work."""
        return np.where(self.flags & UNFIT == 0, self.pull_kN, np.nan)

    @property
    def slipped(self) -> NDArray[np.float64]:
        """Share (n,) of the speed that a slip of the wheel may have hidden; mostly nothing."""
        return np.zeros(len(self)) if self.slip is None else self.slip

    @property
    def power_kW(self) -> NDArray[np.float64]:
        """Drawbar power, pull times speed, of sound bins."""
        return self.sound_pull_kN * self.speed_m_s

    def grade(self, side: Side) -> NDArray[np.float64]:
        """Slope (n,) under one side of the coupler, as a fraction."""
        return self.locomotive_grade if side is Side.LOCOMOTIVE else self.trailing_grade

    def curvature_per_m(self, side: Side) -> NDArray[np.float64]:
        """Curvature (n,) under one side of the coupler."""
        if side is Side.LOCOMOTIVE:
            return self.locomotive_curvature_per_m
        return self.trailing_curvature_per_m


def grid(t_start_s: float, t_end_s: float, step_s: float) -> NDArray[np.float64]:
    """Bin edges (n + 1,) of whole steps from ``t_start_s``; the last, broken step is left out.

    Raises
    ------
    ValueError
        The step is not positive, or there would be more than two million bins.
    """
    if not step_s > 0.0:
        msg = f"step must be above zero, got {step_s} s"
        raise ValueError(msg)
    n = int(np.floor((t_end_s - t_start_s) / step_s + 1e-9))
    if n > MAX_BINS:
        msg = f"{n} bins of {step_s} s are more than {MAX_BINS}: choose a longer step"
        raise ValueError(msg)
    return np.asarray(t_start_s + step_s * np.arange(max(n, 0) + 1), dtype=np.float64)
