"""Least-squares lines over many overlapping stretches of one series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Slopes", "carried_on", "line_slopes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slopes:
    """(m,) each."""

    slope: NDArray[np.float64]
    """y per x."""
    at: NDArray[np.float64]
    """Mean x: where the slope holds also for a curve of the second degree."""
    spread: NDArray[np.float64]
    """Sum of squares of x about its mean: a slope's variance is that of y over this."""
    n: NDArray[np.int64]
    span: NDArray[np.float64]
    """x from first to last."""


def line_slopes(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    low: NDArray[np.int64],
    high: NDArray[np.int64],
) -> Slopes:
    """Slope of the straight line through points ``low … high``, both included.

    x rises (never falls); ``low ≤ high``, (m,) each, m ≥ 1. A stretch without any width in x
    has slope NaN. Call it with the stretches of some thousand neighbouring points at a time:
    sums are taken from the first of them on, and lose digits over a day.
    """
    first, last = int(low.min()), int(high.max())
    u, v = x[first : last + 1] - x[first], y[first : last + 1] - y[first]
    a, b = low - first, high - first + 1
    n = high - low + 1

    def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
        running = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray(running[b] - running[a])

    mean_u, mean_v = total(u) / n, total(v) / n
    spread = total(u * u) - n * mean_u**2
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (total(u * v) - n * mean_u * mean_v) / spread
    span = x[high] - x[low]
    # What running sums do not resolve: few points, near each other.
    few = (n <= 2) | (spread <= 1e-9 * np.maximum(u[-1] ** 2, 1e-12))
    if few.any():
        step = span[few]
        with np.errstate(divide="ignore", invalid="ignore"):
            slope[few] = np.where(step > 0.0, (y[high] - y[low])[few] / step, np.nan)
        spread[few] = step**2 / 2.0
        mean_u[few] = 0.5 * (u[a[few]] + u[b[few] - 1])
    return Slopes(slope=slope, at=mean_u + x[first], spread=spread, n=n, span=span)


def carried_on(values: NDArray[np.float64], n: int, ahead: int) -> NDArray[np.float64]:
    """Least-squares lines through every ``n`` of the values (m,), each carried on to ``ahead``
    bins after its last: (m − n + 1,), NaN where one is unknown.
    """
    at = np.arange(n) - (n - 1.0) / 2.0
    weights = 1.0 / n + at * (at[-1] + ahead) / float(at @ at)
    return np.convolve(values, weights[::-1], "valid")
