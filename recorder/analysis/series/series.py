"""A run on one even time grid: the ground every figure is worked on.

Pull is averaged into bins (whole-bin means, so nothing folds down), minimum and maximum kept;
slow or uneven channels are integrated exactly as straight lines between their samples; a bin
touched by a gap is empty, never bridged.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.filters import BinSums, smooth_pieces

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.run.gap import Gap

__all__ = ["Series", "bin_fast", "bin_slow", "blank_gaps", "derive_motion", "grid"]

LONGEST_STEP_S: Final = 5.0
"""Samples of a slow channel further apart than this (or than five of its own steps) are a gap.
"""

MAX_BINS: Final = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """All arrays (n,) at bin centres; NaN where there is no data."""

    t_s: NDArray[np.float64]
    step_s: float
    pull_kN: NDArray[np.float64]
    pull_min_kN: NDArray[np.float64]
    pull_max_kN: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    distance_m: NDArray[np.float64]
    acceleration_m_s2: NDArray[np.float64]
    chainage_m: NDArray[np.float64]
    locomotive_grade: NDArray[np.float64]
    """Slope as a fraction, rise in the direction of travel positive."""
    trailing_grade: NDArray[np.float64]
    locomotive_curvature_per_m: NDArray[np.float64]
    trailing_curvature_per_m: NDArray[np.float64]
    flags: NDArray[np.uint8]
    """Union of the pull flags of a bin."""
    zero_drift_kN: NDArray[np.float64] | None = None
    """What following the zero over the run took from (or gave to) the pull; ``None`` with one
    zero or none."""
    course_deg: NDArray[np.float64] | None = None
    """Which way the car headed, degrees from north; ``None`` without positions."""
    u_acceleration_m_s2: float = 0.005
    """Standard uncertainty of one bin's acceleration."""
    grade_source: str = "unknown"
    """``route``, ``channel``, ``marks`` or ``unknown``."""
    marks: tuple[Mark, ...] = ()
    gaps: tuple[Gap, ...] = ()
    notes: tuple[str, ...] = field(default=())
    """What could not be had, in words."""

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def power_kW(self) -> NDArray[np.float64]:
        """Drawbar power, pull times speed."""
        return self.pull_kN * self.speed_m_s

    def piece(self, start: int, stop: int) -> Series:
        """Bins ``start`` to ``stop``."""
        arrays = {
            name: getattr(self, name)[start:stop]
            for name in self.__dataclass_fields__
            if isinstance(getattr(self, name), np.ndarray)
        }
        return replace(self, **arrays)


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


def bin_fast(
    pieces: Iterable[tuple[NDArray[np.float64], NDArray[np.float64]]],
    edges: NDArray[np.float64],
) -> BinSums:
    """Bin a fast channel handed over in pieces of (time, value)."""
    sums = BinSums.empty(len(edges) - 1)
    if len(edges) < 2:
        return sums
    step = edges[1] - edges[0]
    for t_s, values in pieces:
        index = np.floor((t_s - edges[0]) / step).astype(np.int64)
        sums.add(index, values)
    return sums


def bin_slow(
    t_s: NDArray[np.float64],
    values: NDArray[np.float64],
    edges: NDArray[np.float64],
    *,
    longest_step_s: float | None = None,
) -> NDArray[np.float64]:
    """Exact bin means of straight lines between samples; NaN in bins not wholly covered.

    Two samples further apart than ``longest_step_s`` (default: the greater of five median steps
    and :data:`LONGEST_STEP_S`) have a gap between them.
    """
    n_bins = len(edges) - 1
    good = np.isfinite(t_s)
    t, x = t_s[good], values[good]
    t, first = np.unique(t, return_index=True)
    x = x[first]
    if len(t) < 2 or n_bins < 1:
        return np.full(max(n_bins, 0), np.nan)
    steps = np.diff(t)
    limit = longest_step_s or max(LONGEST_STEP_S, 5.0 * float(np.median(steps)))
    broken = (steps > limit) | ~np.isfinite(x[1:]) | ~np.isfinite(x[:-1])
    area = np.where(broken, 0.0, 0.5 * (np.nan_to_num(x[1:]) + np.nan_to_num(x[:-1])) * steps)
    cumulative = np.concatenate(([0.0], np.cumsum(area)))
    missing = np.concatenate(([0.0], np.cumsum(np.where(broken, steps, 0.0))))
    at_edges = _integral_at(t, x, cumulative, broken, edges)
    gap_at_edges = np.interp(edges, t, missing)
    inside = np.clip(edges, t[0], t[-1])
    covered = np.diff(inside) - np.diff(gap_at_edges)
    width = np.diff(edges)
    # Float rounding of half a microsecond in a bin is not a gap.
    whole = covered >= width - 1e-6 * np.maximum(width, 1.0)
    return np.where(whole, np.diff(at_edges) / width, np.nan)


def _integral_at(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    cumulative: NDArray[np.float64],
    broken: NDArray[np.bool_],
    at: NDArray[np.float64],
) -> NDArray[np.float64]:
    k = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
    dt = np.clip(at - t[k], 0.0, t[k + 1] - t[k])
    slope = (x[k + 1] - x[k]) / (t[k + 1] - t[k])
    part = np.where(broken[k], 0.0, x[k] * dt + 0.5 * slope * dt * dt)
    return np.asarray(cumulative[k] + np.nan_to_num(part))


def blank_gaps(
    values: NDArray[np.float64], edges: NDArray[np.float64], gaps: Sequence[Gap]
) -> NDArray[np.float64]:
    """Copy with every bin that a gap touches made NaN."""
    out = values.copy()
    if len(edges) < 2:
        return out
    step = edges[1] - edges[0]
    for gap in gaps:
        start = int(np.floor((gap.t_start_s - edges[0]) / step + 1e-9))
        stop = int(np.ceil((gap.t_end_s - edges[0]) / step - 1e-9))
        out[max(start, 0) : max(stop, 0)] = np.nan
    return out


def derive_motion(
    speed_m_s: NDArray[np.float64], step_s: float, *, window_s: float = 5.0
) -> NDArray[np.float64]:
    """Acceleration (n,) m/s² from binned speed by a local quadratic over ``window_s``."""
    window = max(3, round(window_s / step_s)) | 1
    return smooth_pieces(speed_m_s, window=window, step=step_s, derivative=1)
