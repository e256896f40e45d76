"""The lower edge of lateness: what is left when latency, which only adds, is taken away.

Both ties of a clock, ticks to run time and run time to UTC, come from receipt times that are
never early and often late. The edge beneath them moves slowly, with the drift of an oscillator:
least values of short windows, and straight lines through them over ten minutes, follow it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["GREATEST_RATE", "Edge", "interpolated", "lower_edge", "shrunk_rate", "smooth_lines"]

FLAT_SPAN_S: Final = 20.0
"""Over less than this the rate is the nominal one: receipt jitter would decide it."""
WINDOW_S: Final = 30.0
SMOOTH_S: Final = 600.0
GREATEST_RATE: Final = 500e-6
"""An oscillator further off than this is broken, not drifting, s/s."""
PRIOR_RATE: Final = 30e-6
"""Standard deviation of an oscillator's rate before it is seen (common practice), s/s."""
MOST_LINES: Final = 1500


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """Least lateness as straight lines between knots."""

    x_s: NDArray[np.float64]
    """(k,) rising, k ≥ 2."""
    late_s: NDArray[np.float64]
    u_s: float
    """Standard uncertainty of the edge, from how the windows' least values scatter."""
    rate: float
    """Mean slope, drawn towards 0 as far as the scatter leaves it open, s/s."""
    u_rate: float


def lower_edge(x_s: NDArray[np.float64], late_s: NDArray[np.float64]) -> Edge:
    """Lower edge of lateness (n,) against a rising (n,) x, n ≥ 2.

    ``x_s`` need not rise strictly; the span from first to last must be above zero.
    """
    span = float(x_s[-1] - x_s[0])
    ends = np.array([x_s[0], x_s[-1]])
    if span < FLAT_SPAN_S:
        low = float(late_s.min())
        # Few values: the least one lies above the edge by about their spread over their number.
        u_s = (float(np.median(late_s)) - low) / np.sqrt(len(late_s))
        return Edge(
            x_s=ends,
            late_s=np.full(2, low),
            u_s=max(u_s, 1e-6),
            rate=0.0,
            u_rate=PRIOR_RATE,
        )
    width = min(WINDOW_S, span / 8.0)
    # Every value belongs to the window it falls into; x rises, so windows are slices.
    bounds = np.searchsorted(x_s, x_s[0] + width * np.arange(int(span / width)))
    starts = np.unique(bounds[bounds < len(x_s)])
    at, low_s = _least(x_s, late_s, starts)
    smooth = smooth_lines(at, low_s)
    scatter = float(np.median(np.abs(low_s - smooth))) * 1.4826 if len(at) > 2 else 1e-4
    u_s = max(scatter, 1e-6)
    rate, u_rate = shrunk_rate(at, smooth, u_s)
    knots = np.array([x_s[0], *at[(at > x_s[0]) & (at < x_s[-1])], x_s[-1]])
    values = interpolated(knots, at, smooth, rate)
    return Edge(x_s=knots, late_s=values, u_s=u_s, rate=rate, u_rate=u_rate)


def _least(
    x_s: NDArray[np.float64], late_s: NDArray[np.float64], starts: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Place and value of the least lateness of each slice that begins at ``starts``."""
    low = np.minimum.reduceat(late_s, starts)
    sizes = np.diff(np.append(starts, len(late_s)))
    hit = np.flatnonzero(late_s == np.repeat(low, sizes))
    first = hit[np.searchsorted(hit, starts)]
    return x_s[first], low


def shrunk_rate(
    x: NDArray[np.float64], y: NDArray[np.float64], u_y: float
) -> tuple[float, float]:
    """Slope of (k,) y over x and its standard uncertainty, weighed against the usual rate."""
    if len(x) < 3:
        return 0.0, PRIOR_RATE
    dx = x - x.mean()
    sxx = float((dx**2).sum())
    slope = float((dx * (y - y.mean())).sum()) / sxx
    variance = max(u_y, 1e-7) ** 2 / sxx
    share = PRIOR_RATE**2 / (PRIOR_RATE**2 + variance)
    rate = float(np.clip(slope, -GREATEST_RATE, GREATEST_RATE)) * share
    return rate, float(np.sqrt(variance * share))


def smooth_lines(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Robust local straight lines through (k,) points, each over ± half the smoothing span.

    Of more than 1500 points every so many-th is worked out, from the median of its like, and the
    others lie on straight lines between them.
    """
    if len(x) < 3:
        return y.copy()
    if len(x) > 2 * MOST_LINES:
        pick = np.unique(np.linspace(0, len(x) - 1, MOST_LINES).astype(np.int64))
        size = max(len(x) // MOST_LINES // 2, 1)
        lows, highs = np.maximum(pick - size, 0), np.minimum(pick + size + 1, len(x))
        # Medians of both: beside a silence the mean of x would lie where no point is.
        at = np.array([np.median(x[a:b]) for a, b in zip(lows, highs, strict=True)])
        middle = np.array([np.median(y[a:b]) for a, b in zip(lows, highs, strict=True)])
        return interpolated(x, at, smooth_lines(at, middle))
    half = max(SMOOTH_S / 2.0, 2.0 * float(np.median(np.diff(x))))
    starts = np.searchsorted(x, x - half)
    stops = np.searchsorted(x, x + half, side="right")
    out = np.empty(len(x))
    for i, (a, b) in enumerate(zip(starts, stops, strict=True)):
        # At least three points, also beside a long silence.
        low, high = max(min(int(a), len(x) - 3), 0), min(max(int(b), 3), len(x))
        out[i] = _line_at(x[low:high] - x[i], y[low:high])
    return out


def _line_at(dx: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Value at dx = 0 of a straight line, latecomers down-weighted (they can only be late)."""
    weight = np.ones(len(y))
    value = float(np.median(y))
    for _ in range(5):
        total = weight.sum()
        mx, my = (weight * dx).sum() / total, (weight * y).sum() / total
        sxx = (weight * (dx - mx) ** 2).sum()
        slope = float((weight * (dx - mx) * (y - my)).sum() / sxx) if sxx > 0.0 else 0.0
        slope = float(np.clip(slope, -GREATEST_RATE, GREATEST_RATE))
        value = float(my - slope * mx)
        residual = y - (value + slope * dx)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-7)
        weight = np.where(residual > 0.0, 1.0 / (1.0 + (residual / scale) ** 2), 1.0)
    return value


def interpolated(
    x: NDArray[np.float64],
    knots: NDArray[np.float64],
    values: NDArray[np.float64],
    end_rate: float | None = None,
) -> NDArray[np.float64]:
    """Straight lines between (k,) knots, k ≥ 1.

    Beyond the ends they go on with ``end_rate``; None: as the first and last line do.
    """
    if len(knots) == 1:
        return np.asarray(values[0] + (x - knots[0]) * (end_rate or 0.0))
    k = np.clip(np.searchsorted(knots, x) - 1, 0, len(knots) - 2)
    slope = (values[k + 1] - values[k]) / (knots[k + 1] - knots[k])
    out = np.asarray(values[k] + (x - knots[k]) * slope)
    if end_rate is not None:
        for end, out_there in ((0, x < knots[0]), (-1, x > knots[-1])):
            out[out_there] = values[end] + (x[out_there] - knots[end]) * end_rate
    return out
