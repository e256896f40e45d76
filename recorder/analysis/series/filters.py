"""Smoothing that stops at a gap, and how many independent samples a series is worth.

The local quadratic is scipy's; what stands here is how it is used.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "acceleration_of",
    "effective_count",
    "mean_known",
    "savitzky_golay",
    "smooth_unbroken",
]


def savitzky_golay(
    values: NDArray[np.float64], *, window: int, step: float, derivative: int = 0
) -> NDArray[np.float64]:
    """Local quadratic (Savitzky and Golay 1964) value or derivative; short runs shrink the
    window.

    A run of fewer than three samples has no quadratic: its derivative is NaN, its value
    itself.
    """
    n = len(values)
    window = min(window | 1, n if n % 2 else n - 1)
    if window < 3:
        return values.copy() if derivative == 0 else np.full(n, np.nan)
    return np.asarray(
        signal.savgol_filter(values, window, 2, deriv=derivative, delta=step, mode="interp"),
        dtype=np.float64,
    )


def smooth_unbroken(
    values: NDArray[np.float64], *, window: int, step: float, derivative: int = 0
) -> NDArray[np.float64]:
    """Savitzky–Golay on each unbroken run of finite samples by itself: gaps stay gaps."""
    out = np.full(len(values), np.nan)
    edges = np.flatnonzero(np.diff(np.isfinite(values).astype(np.int8), prepend=0, append=0))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        out[start:stop] = savitzky_golay(
            values[start:stop], window=window, step=step, derivative=derivative
        )
    return out


def acceleration_of(
    speed_m_s: NDArray[np.float64], step_s: float, *, window_s: float = 5.0
) -> NDArray[np.float64]:
    """Acceleration (n,) m/s² from binned speed by a local quadratic over ``window_s``."""
    window = max(3, round(window_s / step_s)) | 1
    return smooth_unbroken(speed_m_s, window=window, step=step_s, derivative=1)


def mean_known(values: NDArray[np.float64]) -> float:
    """Mean of those that are numbers; NaN where none is."""
    known = values[np.isfinite(values)]
    return float(np.mean(known)) if len(known) else math.nan


def effective_count(values: NDArray[np.float64]) -> float:
    """Number of effectively independent samples in an evenly spaced series.

    ``n / (1 + 2 Σ ρ_k)`` with the sum cut by Geyer's initial positive sequence (C. J. Geyer,
    Practical Markov chain Monte Carlo, Statistical Science 7, 1992): pairs of autocorrelations
    are added while their sum is positive. Between 1 and n; NaN samples are left out first.
    """
    x = values[np.isfinite(values)]
    n = len(x)
    if n < 4:
        return float(max(n, 1))
    x = x - x.mean()
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(x, size)
    acov = np.fft.irfft(spectrum * np.conj(spectrum), size)[:n]
    if acov[0] <= 0.0:
        return float(n)
    rho = acov / acov[0]
    pairs = rho[0 : n - 1 : 2] + rho[1:n:2]
    stop = np.flatnonzero(pairs <= 0.0)
    total = pairs[: stop[0]] if len(stop) else pairs
    tau = max(2.0 * float(np.minimum.accumulate(total).sum()) - 1.0, 1.0) if len(total) else 1.0
    return float(np.clip(n / tau, 1.0, n))
