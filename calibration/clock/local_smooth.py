"""Local straight lines through the least values of windows, and what lies between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.statistics.median_scatter import normal_sd

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["STEEPEST", "interpolated", "smooth_lines", "smoothed"]

SPANS_S: Final = (600.0, 240.0, 100.0)
"""Smoothing spans to choose from: a crystal hardly bends in ten minutes, an RC oscillator that
warms up does."""
STEEPEST: Final = 0.01
"""Of a local line beside the slope of the whole, s/s: with three points anything may come."""
MOST_LINES: Final = 1500
NEIGHBOURS: Final = 5


def smoothed(
    x: NDArray[np.float64], y: NDArray[np.float64], *, steepest: float = STEEPEST
) -> tuple[NDArray[np.float64], float]:
    """(k,) points on the smoothest lines that do not hide a bend, and their uncertainty.

    Of the smoothing spans the one with the least sum, in quadrature, of scatter about the lines,
    of what a bend within the span leaves, and of half of how far a few neighbours lie off
    together: a step too small to be found is in it.
    """
    if len(x) < 3:
        return y.copy(), 1e-4
    best, least = y.copy(), np.inf
    for span_s in SPANS_S:
        lines = smooth_lines(x, y, span_s, steepest=steepest)
        scatter = normal_sd(y - lines)
        together = 0.5 * _together(y - lines)
        bend = _bend(x, y, lines, span_s)
        u_s = float(np.sqrt(scatter**2 + bend**2 + together**2))
        # A shorter span must earn it: its lines follow chance more closely.
        if u_s < 0.7 * least:
            best, least = lines, u_s
        straight = max(bend, together) < 0.5 * scatter
        if straight or span_s / 2.0 < 2.0 * float(np.median(np.diff(x))):
            break
    return best, least


def _together(off: NDArray[np.float64]) -> float:
    """The furthest that the middle one of five neighbours lies off."""
    if len(off) < NEIGHBOURS:
        return 0.0
    rows = np.lib.stride_tricks.sliding_window_view(off, NEIGHBOURS)
    return float(np.abs(np.median(rows, axis=1)).max())


def _bend(
    x: NDArray[np.float64], y: NDArray[np.float64], lines: NDArray[np.float64], span_s: float
) -> float:
    """What a local straight line misses of a bend, as its root mean square, s.

    A parabola ``c·x²`` about the middle of ± h has the mean ``c·h²/3`` there; its second
    difference over ± h is ``2·c·h²``. All points within one span lie about one line: of a parabola
    over a length ``l`` that misses ``c·l²/6`` at the ends.
    """
    h = span_s / 2.0
    inside = (x - h >= x[0]) & (x + h <= x[-1])
    if not inside.any():
        length_s = float(x[-1] - x[0])
        curve = np.polynomial.Polynomial.fit(x, y, 2).convert().coef if len(x) > 3 else [0.0]
        return abs(float(curve[2])) * length_s**2 / 6.0 if len(curve) > 2 else 0.0
    at = x[inside]
    second = np.interp(at - h, x, lines) - 2.0 * lines[inside] + np.interp(at + h, x, lines)
    return float(np.sqrt(np.mean(second**2))) / 6.0


def smooth_lines(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    span_s: float = SPANS_S[0],
    *,
    steepest: float = STEEPEST,
) -> NDArray[np.float64]:
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
        lines = smooth_lines(at, middle, span_s, steepest=steepest)
        return interpolated(x, at, lines)
    half = max(span_s / 2.0, 2.0 * float(np.median(np.diff(x))))
    starts = np.searchsorted(x, x - half)
    stops = np.searchsorted(x, x + half, side="right")
    out = np.empty(len(x))
    for i, (a, b) in enumerate(zip(starts, stops, strict=True)):
        # At least three points, also beside a long silence.
        low, high = max(min(int(a), len(x) - 3), 0), min(max(int(b), 3), len(x))
        out[i] = _line_at(x[low:high] - x[i], y[low:high], steepest)
    return out


def _line_at(dx: NDArray[np.float64], y: NDArray[np.float64], steepest: float) -> float:
    """Value at dx = 0 of a straight line, latecomers down-weighted (they can only be late)."""
    weight = np.ones(len(y))
    value = float(np.median(y))
    for _ in range(5):
        total = weight.sum()
        mx, my = (weight * dx).sum() / total, (weight * y).sum() / total
        sxx = (weight * (dx - mx) ** 2).sum()
        slope = float((weight * (dx - mx) * (y - my)).sum() / sxx) if sxx > 0.0 else 0.0
        slope = float(np.clip(slope, -steepest, steepest))
        value = float(my - slope * mx)
        residual = y - (value + slope * dx)
        scale = max(normal_sd(residual), 1e-7)
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
