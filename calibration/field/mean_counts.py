"""The mean of a channel's counts over a while, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MeanCounts", "mean_counts"]

STRETCHES: Final = 10
"""Neighbouring counts are not independent, so the deviation of single counts shows too little of
how sure their mean is: the scatter of the means of so many equal stretches shows more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanCounts:
    """Mean of a channel over a stretch of time, in counts."""

    mean: float
    u: float
    """Standard uncertainty of the mean."""
    sd: float
    """Standard deviation of single counts."""
    n: int
    drift: float
    """Mean of the last third less mean of the first."""
    lowest: float
    highest: float


def mean_counts(
    time_s: NDArray[np.float64], counts: NDArray[np.float64], start_s: float, stop_s: float
) -> MeanCounts | None:
    """The mean of (n,) counts taken at (n,) rising times from ``start_s`` to ``stop_s``.

    Counts that are not finite are left out. None when nothing is left.
    """
    good = np.isfinite(counts)
    time_s, counts = time_s[good], counts[good]
    n = len(counts)
    if n == 0:
        return None
    sd = float(np.std(counts, ddof=1)) if n > 1 else 0.0
    part = (time_s - start_s) / (stop_s - start_s) * STRETCHES
    stretch = np.clip(part.astype(np.intp), 0, STRETCHES - 1)
    held = np.bincount(stretch, minlength=STRETCHES)
    sums = np.bincount(stretch, weights=counts, minlength=STRETCHES)
    means = sums[held > 0] / held[held > 0]
    scatter = float(np.std(means, ddof=1)) / len(means) ** 0.5 if len(means) > 1 else 0.0
    third = max(1, n // 3)
    return MeanCounts(
        mean=float(np.mean(counts)),
        u=max(scatter, sd / n**0.5),
        sd=sd,
        n=n,
        drift=float(np.mean(counts[-third:]) - np.mean(counts[:third])),
        lowest=float(np.min(counts)),
        highest=float(np.max(counts)),
    )
