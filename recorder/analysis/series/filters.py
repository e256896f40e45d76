"""Averages and filters that neither alias nor invent.

The filters are scipy's; what stands here is how they are used: bins that know how much of them
was covered by data, and smoothing that stops at a gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "BinSums",
    "butterworth_zero_phase",
    "effective_count",
    "savitzky_golay",
    "smooth_pieces",
]


@dataclass(slots=True)
class BinSums:
    """Running sums of samples in even bins, fed in pieces of any length.

    A bin's mean over whole bins is a moving average sampled at its own spacing: what lies above
    the bin rate is averaged out instead of folding down.
    """

    count: NDArray[np.int64]
    total: NDArray[np.float64]
    square: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    @classmethod
    def empty(cls, n_bins: int) -> BinSums:
        """``n_bins`` bins with nothing in them."""
        return cls(
            np.zeros(n_bins, np.int64),
            np.zeros(n_bins),
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
        np.add.at(self.square, bins, np.add.reduceat(values * values, starts))
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


def butterworth_zero_phase(
    values: NDArray[np.float64], *, cutoff_hz: float, rate_hz: float, order: int = 2
) -> NDArray[np.float64]:
    """Forward-backward Butterworth low pass; −6.02 dB at ``cutoff_hz``.

    Raises
    ------
    ValueError
        ``cutoff_hz`` is not inside (0, rate/2), or the piece is too short to filter.
    """
    if not 0.0 < cutoff_hz < rate_hz / 2:
        msg = f"cutoff must lie in (0, {rate_hz / 2}) Hz, got {cutoff_hz}"
        raise ValueError(msg)
    sos = signal.butter(order, cutoff_hz, fs=rate_hz, output="sos")
    return np.asarray(signal.sosfiltfilt(sos, values), dtype=np.float64)


def savitzky_golay(
    values: NDArray[np.float64], *, window: int, step: float, derivative: int = 0
) -> NDArray[np.float64]:
    """Local quadratic (Savitzky and Golay 1964) value or derivative; short pieces shrink the
    window.

    A piece of fewer than three samples has no quadratic: its derivative is NaN, its value
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


def smooth_pieces(
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
