"""Samples into the bins of a grid, so that nothing folds down and nothing is bridged.

A fast channel is averaged into whole bins, minimum and maximum kept; a slow or uneven one is
integrated exactly as straight lines between its samples; a bin touched by a gap is empty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from recorder.run.parts.gap import Gap

__all__ = ["GridSums", "bin_fast", "bin_slow", "blank_gaps"]

LONGEST_STEP_S: Final = 5.0
"""Samples of a slow channel further apart than this (or than five of its own steps) are a gap:
a train may have started and stopped in between."""


@dataclass(slots=True)
class GridSums:
    """Running sums of samples in even bins, fed in chunks of any length.

    A bin's mean over whole bins is a moving average sampled at its own spacing: what lies above
    the bin rate is averaged out instead of folding down.
    """

    count: NDArray[np.int64]
    total: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    @classmethod
    def empty(cls, n_bins: int) -> GridSums:
        """``n_bins`` bins with nothing in them."""
        return cls(
            np.zeros(n_bins, np.int64),
            np.zeros(n_bins),
            np.full(n_bins, np.inf),
            np.full(n_bins, -np.inf),
        )

    def add(self, index: NDArray[np.int64], values: NDArray[np.float64]) -> None:
        """Add samples; ``index`` (n,) non-decreasing bin numbers, out of range ones are left
        out.

        NaN values are left out.
        """
        good = np.isfinite(values) & (index >= 0) & (index < len(self.count))
        index, values = index[good], values[good]
        if not len(values):
            return
        starts = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
        bins = index[starts]
        # Bins may come back when time is not monotone: ufunc.at handles repeats.
        np.add.at(self.count, bins, np.diff(starts, append=len(index)))
        np.add.at(self.total, bins, np.add.reduceat(values, starts))
        np.minimum.at(self.low, bins, np.minimum.reduceat(values, starts))
        np.maximum.at(self.high, bins, np.maximum.reduceat(values, starts))

    @property
    def mean(self) -> NDArray[np.float64]:
        """(n_bins,) mean; NaN where nothing came."""
        out = np.full(len(self.count), np.nan)
        np.divide(self.total, self.count, out=out, where=self.count > 0)
        return out

    def minimum(self) -> NDArray[np.float64]:
        """(n_bins,) least sample; NaN where nothing came."""
        return np.where(self.count > 0, self.low, np.nan)

    def maximum(self) -> NDArray[np.float64]:
        """(n_bins,) greatest sample; NaN where nothing came."""
        return np.where(self.count > 0, self.high, np.nan)


def bin_fast(
    chunks: Iterable[tuple[NDArray[np.float64], NDArray[np.float64]]],
    edges: NDArray[np.float64],
) -> GridSums:
    """Bin a fast channel handed over in chunks of (time, value)."""
    sums = GridSums.empty(len(edges) - 1)
    if len(edges) < 2:
        return sums
    step = edges[1] - edges[0]
    for t_s, values in chunks:
        index = np.floor((t_s - edges[0]) / step).astype(np.int64)
        sums.add(index, values)
    return sums


def bin_slow(
    t_s: NDArray[np.float64], values: NDArray[np.float64], edges: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Exact bin means of straight lines between samples; NaN in bins not wholly covered.

    Two samples further apart than five median steps, and than :data:`LONGEST_STEP_S`, have a
    gap between them.
    """
    n_bins = len(edges) - 1
    good = np.isfinite(t_s)
    t, x = t_s[good], values[good]
    t, first = np.unique(t, return_index=True)
    x = x[first]
    if len(t) < 2 or n_bins < 1:
        return np.full(max(n_bins, 0), np.nan)
    steps = np.diff(t)
    limit = max(LONGEST_STEP_S, 5.0 * float(np.median(steps)))
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
