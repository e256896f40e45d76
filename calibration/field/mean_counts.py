"""The mean of a channel's counts over a while, with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MeanCounts", "mean_counts"]

STRETCHES: Final = 10
"""Neighbouring counts are not independent, so the deviation of single counts shows too little of
how sure their mean is: the scatter of the means of so many equal stretches shows more."""

LEAST_STRETCHES: Final = 5
"""Fewer show no scatter about a line that could be relied on (from experience)."""


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
    u_drift: float
    """Standard uncertainty of that, by the scatter about a straight line; inf: too few counts."""
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
    places = np.flatnonzero(held).astype(np.float64)
    return MeanCounts(
        mean=float(np.mean(counts)),
        u=max(scatter, sd / n**0.5),
        sd=sd,
        n=n,
        drift=float(np.mean(counts[-third:]) - np.mean(counts[:third])),
        u_drift=_u_drift(places, means),
        lowest=float(np.min(counts)),
        highest=float(np.max(counts)),
    )


def _u_drift(places: NDArray[np.floating[Any]], means: NDArray[np.floating[Any]]) -> float:
    """Of the mean of a third less that of another, from the means of (k,) stretches at (k,) places.

    What lies on a line is drift and no noise; the rest scatters with k - 2 degrees of freedom
    (straight line by least squares), and each third holds k / 3 stretches.
    """
    k = len(means)
    if k < LEAST_STRETCHES:
        return math.inf
    x = places - places.mean()
    rest = means - means.mean() - x * float(x @ means / (x @ x))
    scatter = math.sqrt(float(rest @ rest) / (k - 2))
    return scatter * math.sqrt(2.0 * 3.0 / k)
