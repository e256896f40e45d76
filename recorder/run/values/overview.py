"""Overviews: minimum, maximum and mean in even bins of run time, at widths fourfold apart.

Bins are even in run time, not in samples, so that a gap stays empty and is drawn as a gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "FACTOR",
    "MOST_BINS",
    "BinSums",
    "Overview",
    "base_width",
    "coarser",
    "overview_dtype",
    "resample",
]

FACTOR: Final = 4
"""From one level to the next: all coarser levels together add a third to the finest."""
SAMPLES_A_BIN: Final = 64
"""In the finest level; what is nearer than that is drawn from the samples themselves."""
MOST_BINS: Final = 4_000_000
"""About 100 MB of sums in memory while they are filled."""
LEAST_BINS: Final = 256
"""A level with fewer bins needs no coarser one."""


def overview_dtype(values: np.dtype[Any]) -> np.dtype[Any]:
    """One bin of an overview."""
    kind = values.str
    return np.dtype(
        [
            ("minimum", kind),
            ("maximum", kind),
            ("mean", kind),
            ("flags", "u1"),
            ("count", "<u4"),
        ]
    )


@dataclass(frozen=True, slots=True)
class Overview:
    """(n,) even bins from ``t0_s`` to ``t1_s``; NaN and count 0 where there is no sample."""

    t_s: NDArray[np.float64]
    """Middle of each bin."""
    minimum: NDArray[np.float64]
    maximum: NDArray[np.float64]
    mean: NDArray[np.float64]
    flags: NDArray[np.uint8]
    """All flags of the samples of a bin together."""
    count: NDArray[np.int64]


class BinSums:
    """Fills even bins from samples that come in order of time, chunk by chunk."""

    def __init__(self, t0_s: float, width_s: float, n_bins: int) -> None:
        self.t0_s = t0_s
        self.width_s = width_s
        self.low = np.full(n_bins, np.inf)
        self.high = np.full(n_bins, -np.inf)
        self.total = np.zeros(n_bins)
        self.count = np.zeros(n_bins, np.int64)
        self.flags = np.zeros(n_bins, np.uint8)

    def add(
        self,
        time_s: NDArray[np.float64],
        values: NDArray[np.float64],
        flags: NDArray[np.uint8],
    ) -> None:
        """Take up (n,) samples, times not falling; NaN values only hand on their flags."""
        index = np.floor((time_s - self.t0_s) / self.width_s)
        inside = (index >= 0) & (index < len(self.count))
        if not inside.all():
            # The bins are laid from first to last sample: the last falls on the edge itself.
            edge = (index == len(self.count)) & (
                time_s <= self.t0_s + self.width_s * len(self.count) * (1 + 1e-12)
            )
            index[edge] = len(self.count) - 1
            inside |= edge
            index, values, flags = index[inside], values[inside], flags[inside]
        if not len(index):
            return
        bins = index.astype(np.int64)
        starts = np.flatnonzero(np.append(True, bins[1:] != bins[:-1]))
        where = bins[starts]
        self.flags[where] |= np.bitwise_or.reduceat(flags, starts)
        good = np.isfinite(values)
        if good.all():
            low = high = values
        else:
            low, high = np.where(good, values, np.inf), np.where(good, values, -np.inf)
            values = np.where(good, values, 0.0)
        self.low[where] = np.minimum(self.low[where], np.minimum.reduceat(low, starts))
        self.high[where] = np.maximum(self.high[where], np.maximum.reduceat(high, starts))
        self.total[where] += np.add.reduceat(values, starts)
        self.count[where] += np.add.reduceat(good.astype(np.int64), starts)

    def rows(self, kind: np.dtype[Any]) -> NDArray[np.void]:
        """(n_bins,) of ``overview_dtype(kind)``."""
        rows = np.zeros(len(self.count), overview_dtype(kind))
        empty = self.count == 0
        rows["minimum"] = np.where(empty, np.nan, self.low)
        rows["maximum"] = np.where(empty, np.nan, self.high)
        with np.errstate(invalid="ignore"):
            rows["mean"] = self.total / np.where(empty, np.nan, self.count)
        rows["flags"], rows["count"] = self.flags, self.count
        return rows


def base_width(t0_s: float, t1_s: float, n: int) -> tuple[float, int]:
    """Width in s and number of the finest bins for n samples from ``t0_s`` to ``t1_s``."""
    span_s = t1_s - t0_s
    if n < 2 or not 0.0 < span_s < np.inf:
        return 1.0, 1
    bins = int(min(max(n // SAMPLES_A_BIN, 1), MOST_BINS))
    return span_s / bins, bins


def coarser(rows: NDArray[np.void]) -> NDArray[np.void]:
    """The next level: ``FACTOR`` bins in one."""
    n = -(-len(rows) // FACTOR)
    padded = np.zeros(n * FACTOR, rows.dtype)
    padded["minimum"] = padded["maximum"] = padded["mean"] = np.nan
    padded[: len(rows)] = rows
    table = padded.reshape(n, FACTOR)
    count = table["count"].astype(np.int64)
    result = np.zeros(n, rows.dtype)
    result["minimum"] = _least(table["minimum"], axis=1)
    result["maximum"] = -_least(-table["maximum"], axis=1)
    total = np.where(count > 0, table["mean"].astype(np.float64) * count, 0.0).sum(axis=1)
    counts = count.sum(axis=1)
    with np.errstate(invalid="ignore"):
        result["mean"] = total / np.where(counts == 0, np.nan, counts)
    result["flags"] = np.bitwise_or.reduce(table["flags"], axis=1)
    result["count"] = np.minimum(counts, 2**32 - 1)
    return result


def _least(values: NDArray[Any], *, axis: int) -> NDArray[Any]:
    result: NDArray[Any] = np.fmin.reduce(values, axis=axis)
    return result


def resample(
    rows: NDArray[np.void], first_s: float, width_s: float, t0_s: float, t1_s: float, n: int
) -> Overview:
    """Bring stored bins (the first beginning at ``first_s``) onto n even bins.

    A stored bin goes to the bin its middle falls in.
    """
    step_s = (t1_s - t0_s) / n
    middles = first_s + (np.arange(len(rows)) + 0.5) * width_s
    index = np.floor((middles - t0_s) / step_s)
    keep = (index >= 0) & (index < n) & ((rows["count"] > 0) | (rows["flags"] > 0))
    rows, bins = rows[keep], index[keep].astype(np.int64)
    t_s = t0_s + (np.arange(n) + 0.5) * step_s
    low, high, mean = (np.full(n, np.nan) for _ in range(3))
    flags, count = np.zeros(n, np.uint8), np.zeros(n, np.int64)
    if len(rows):
        starts = np.flatnonzero(np.append(True, bins[1:] != bins[:-1]))
        where = bins[starts]
        low[where] = np.fmin.reduceat(rows["minimum"].astype(np.float64), starts)
        high[where] = np.fmax.reduceat(rows["maximum"].astype(np.float64), starts)
        counts = rows["count"].astype(np.int64)
        weighted = np.where(counts > 0, rows["mean"].astype(np.float64) * counts, 0.0)
        count[where] = np.add.reduceat(counts, starts)
        flags[where] = np.bitwise_or.reduceat(rows["flags"], starts)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean[where] = np.add.reduceat(weighted, starts) / count[where]
    return Overview(np.asarray(t_s, dtype=np.float64), low, high, mean, flags, count)
