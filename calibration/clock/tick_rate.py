"""The rate of a device's ticks against a receiver's pulse per second, with its uncertainty.

Pulses mark seconds of UTC; the device notes the tick of each. The rate is the slope of ticks over
seconds; slopes of even pieces of the run show how far it wandered and how well its mean is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.statistics.gum import coverage_factor, effective_dof

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PIECES", "U_PULSE_S", "TickRate", "seconds_of_pulses", "tick_rate"]

PIECES: Final = 8
"""Even pieces of the run, each with a slope of its own."""
LEAST_PULSES: Final = 4 * PIECES
U_PULSE_S: Final = 1e-6
"""Standard uncertainty of one pulse of a receiver that has its position (from experience)."""
STRAY: Final = 0.05
"""Of a second: an edge so far from a whole number of seconds after the one before is no pulse;
no oscillator in use is so far off (from experience)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TickRate:
    """Rate of a device's clock; + runs fast."""

    rate_ppm: float
    u_ppm: float
    """Combined standard uncertainty of the mean rate."""
    k: float
    """Coverage factor for 95 %."""
    low_ppm: float
    """Of the pieces of the run, the slowest."""
    high_ppm: float
    scatter_us: float
    """Of single pulses about the line of their piece, µs."""
    pieces_ppm: tuple[float, ...]


def seconds_of_pulses(
    ticks: NDArray[np.uint64], tick_hz: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Seconds after the first pulse, and ticks after it, of the longest unbroken stretch.

    Parameters
    ----------
    ticks : (n,) device ticks of edges in the order they came

    Returns
    -------
    (m,) int64 and (m,) int64, both from 0; m may be 0. A stretch ends where ticks go back or an
    edge lies no whole number of seconds after the one before.
    """
    if len(ticks) < 2:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    apart = np.diff(ticks.astype(np.uint64)).view(np.int64) / tick_hz
    single = apart[np.abs(apart - 1.0) <= STRAY]
    # Through a gap of some seconds it is counted by the clock's own second.
    apart /= float(np.median(single)) if len(single) else 1.0
    whole = np.rint(apart)
    sound = (whole >= 1.0) & (np.abs(apart - whole) <= STRAY)
    ends = np.flatnonzero(~sound)
    starts, stops = np.append(0, ends + 1), np.append(ends + 1, len(ticks))
    best = int(np.argmax(stops - starts))
    first, last = int(starts[best]), int(stops[best])
    seconds = np.append(0, np.cumsum(whole[first : last - 1])).astype(np.int64)
    steps = (ticks[first:last] - ticks[first]).view(np.int64)
    return seconds, steps


def tick_rate(seconds: NDArray[np.int64], steps: NDArray[np.int64], tick_hz: float) -> TickRate:
    """Rate from (n,) whole seconds and ticks, both after the first pulse, rising.

    ``rate = slope / tick_hz − 1`` by least squares over all pulses. Its uncertainty: the scatter
    of the slopes of even pieces over the root of their number, and that of the receiver's pulses
    at both ends over the span.

    Raises
    ------
    ValueError
        Too few pulses, or a nominal rate that is not above zero.
    """
    if not (math.isfinite(tick_hz) and tick_hz > 0.0):
        msg = f"tick_hz must be above zero, got {tick_hz!r}"
        raise ValueError(msg)
    if len(seconds) < LEAST_PULSES or len(seconds) != len(steps):
        msg = f"{len(seconds)} pulses in one stretch; at least {LEAST_PULSES} are needed"
        raise ValueError(msg)
    # How far the device is ahead, s: small numbers, so that nothing is lost in the fit.
    ahead_s = (steps - seconds * tick_hz) / tick_hz
    at = seconds.astype(np.float64)
    pieces = np.array_split(np.arange(len(at)), PIECES)
    slopes = np.array([_slope(at[p], ahead_s[p]) for p in pieces])
    left = np.concatenate(
        [_residuals(at[p], ahead_s[p], s) for p, s in zip(pieces, slopes, strict=True)]
    )
    u_pieces = float(np.std(slopes, ddof=1)) / math.sqrt(PIECES)
    span_s = float(at[-1])
    u_ends = math.sqrt(2.0 * (U_PULSE_S**2 + (1.0 / tick_hz) ** 2 / 12.0)) / span_s
    u = math.hypot(u_pieces, u_ends)
    dof = effective_dof(np.array([u_pieces, u_ends]), [PIECES - 1.0, math.inf])
    return TickRate(
        rate_ppm=1e6 * _slope(at, ahead_s),
        u_ppm=1e6 * u,
        k=float(coverage_factor(dof)),
        low_ppm=1e6 * float(slopes.min()),
        high_ppm=1e6 * float(slopes.max()),
        scatter_us=1e6 * float(np.std(left)),
        pieces_ppm=tuple((1e6 * slopes).tolist()),
    )


def _slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    away = x - x.mean()
    return float(np.sum(away * (y - y.mean())) / np.sum(away**2))


def _residuals(
    x: NDArray[np.float64], y: NDArray[np.float64], slope: float
) -> NDArray[np.float64]:
    return np.asarray(y - y.mean() - slope * (x - x.mean()))
