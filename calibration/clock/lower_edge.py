"""The lower edge of lateness: what is left when latency, which only adds, is taken away.

Both ties of a clock, ticks to run time and run time to UTC, come from receipt times that are
never early and often late. The edge beneath them rises or falls with the rate of the device's
oscillator, which may be parts per million off (a crystal), half a per cent (a ceramic resonator)
or several (an RC oscillator; all from experience), bends with its temperature, and steps where
the least latency itself changes (another hub, another driver setting). Least values of short
windows, their slope, the steps among them and local straight lines through them follow it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.floor_steps import FloorStep, find_steps, levels_of
from calibration.clock.held_up import free_windows, gross_slope
from calibration.clock.local_smooth import STEEPEST, interpolated, smoothed

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "PRIOR_RATE",
    "Edge",
    "lower_edge",
    "middle_slope",
    "shrunk_rate",
    "weighed_rate",
    "window_minima",
]

WINDOW_S: Final = 30.0
LEAST_WINDOWS: Final = 8
MANY_WINDOWS: Final = 24
LEAST_SPAN_S: Final = 1.0
"""Over less than this, or with few values, there is no slope to see."""
LEAST_VALUES: Final = 16
PRIOR_RATE: Final = 30e-6
"""Standard deviation of a crystal's rate before it is seen (from experience), s/s."""
CLEARLY: Final = 4.0
"""Standard deviations beyond which a slope is that of an oscillator that is no crystal."""
CRYSTAL: Final = CLEARLY * PRIOR_RATE
"""A steeper slope is another kind of oscillator's, or none: a floor that stepped, s/s."""
EITHER: Final = 3.0
"""Times the scatter about one edge that the scatter about another is, and both may still be."""
LEAST_U_S: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """Least lateness as straight lines between knots, as if its floor had never stepped."""

    x_s: NDArray[np.float64]
    """(k,) rising, k ≥ 2."""
    late_s: NDArray[np.float64]
    u_s: float
    """Standard uncertainty of the edge: how the windows' least values scatter, how the edge
    bends within a smoothing span, and half of what the floor stepped."""
    rate: float
    """Mean slope, s/s; drawn towards 0 as far as the scatter leaves open that it is a crystal's."""
    u_rate: float
    steps: tuple[FloorStep, ...] = ()
    """Where the least latency changed."""
    excess_s: float = 0.0
    """Median of the lateness above the edge: how late the usual value is."""
    held_up_s: float = 0.0
    """How long receipts were held up, by more than the floor can step."""
    scatter_s: float = LEAST_U_S
    """Of its uncertainty what the windows scatter and bend."""


def lower_edge(
    x_s: NDArray[np.float64], late_s: NDArray[np.float64], *, steepest: float = math.inf
) -> Edge:
    """Lower edge of lateness (n,) against a rising (n,) x, n ≥ 2.

    ``x_s`` need not rise strictly; the span from first to last must be above zero. No slope is
    too great for it but one beyond ``steepest``, s/s, which then is chance. Where the floor steps
    the lower level is the edge: latency only adds; since a device's clock that jumped looks the
    same, half of the step is in the uncertainty.
    """
    span = float(x_s[-1] - x_s[0])
    if span < LEAST_SPAN_S or len(x_s) < LEAST_VALUES:
        return _flat(x_s, late_s)
    windows = MANY_WINDOWS if len(x_s) >= MANY_WINDOWS * LEAST_VALUES else LEAST_WINDOWS
    width_s = min(WINDOW_S, span / windows)
    at, low_s = window_minima(x_s, late_s, width_s)
    if len(at) < LEAST_WINDOWS // 2:
        return _flat(x_s, late_s)
    # Minima of even windows all lie equally far along a slope: their slope is the edge's.
    gross = gross_slope(at, low_s)
    free = free_windows(at, low_s - gross * at)
    if int(free.sum()) >= LEAST_WINDOWS // 2:
        gross += middle_slope(at[free], low_s[free] - gross * at[free])
    gross = float(np.clip(gross, -steepest, steepest))
    found = _along(x_s, late_s, width_s, gross, steepest)
    if abs(gross) <= CRYSTAL or steepest <= CRYSTAL:
        return found
    return _either(found, _along(x_s, late_s, width_s, 0.0, CRYSTAL))


def _along(
    x_s: NDArray[np.float64],
    late_s: NDArray[np.float64],
    width_s: float,
    gross: float,
    steepest: float,
) -> Edge:
    """The edge along a slope that is known about, ``gross``; others by ``steepest`` at most."""
    at, low_s = window_minima(x_s, late_s - gross * x_s, width_s)
    free = free_windows(at, low_s)
    held_up_s = width_s * int(np.count_nonzero(~free))
    if int(free.sum()) >= LEAST_WINDOWS // 2:
        at, low_s = at[free], low_s[free]
    steps = find_steps(at, low_s)
    levels = levels_of(at, steps)
    low_s = low_s - levels
    smooth, u_s = smoothed(at, low_s, steepest=min(steepest, STEEPEST))
    u_s = max(u_s, LEAST_U_S)
    rate, u_rate = shrunk_rate(at, smooth + gross * at, u_s)
    rate = float(np.clip(rate, -steepest, steepest))
    knots = np.array([x_s[0], *at[(at > x_s[0]) & (at < x_s[-1])], x_s[-1]])
    values = interpolated(knots, at, smooth, rate - gross) + gross * knots
    above = late_s - interpolated(x_s, knots, values) - levels_of(x_s, steps)
    # Of values spread evenly; a machine that is busy for a while makes windows late together.
    spread_s = float(at[-1] - at[0]) / math.sqrt(12.0)
    stepped_s = 0.5 * float(np.ptp(levels))
    return Edge(
        x_s=knots,
        late_s=values,
        u_s=math.hypot(u_s, stepped_s),
        rate=rate,
        # Half of what the floor stepped may have been the rate.
        u_rate=min(math.hypot(u_rate, u_s / spread_s, stepped_s / spread_s), steepest),
        steps=steps,
        excess_s=max(float(np.median(above)), 0.0),
        scatter_s=u_s,
        held_up_s=held_up_s,
    )


def _either(sloped: Edge, level: Edge) -> Edge:
    """A slope that no crystal has, or a crystal's with a floor that stepped or was held up.

    Whichever the windows scatter less about; where that says little, the uncertainty covers both.
    """
    ratio = level.scatter_s / sloped.scatter_s
    better, other = (level, sloped) if ratio <= 1.0 else (sloped, level)
    if not 1.0 / EITHER < ratio < EITHER:
        return better
    away_s = interpolated(better.x_s, other.x_s, other.late_s) - better.late_s
    # A step that hides among late windows leaves a level edge through the middle of the slope.
    most_s = max(float(np.abs(away_s).max()), float(np.ptp(sloped.late_s)))
    return replace(
        better,
        u_s=math.hypot(better.u_s, 0.5 * most_s),
        u_rate=math.hypot(better.u_rate, 0.5 * abs(better.rate - other.rate)),
    )


def _flat(x_s: NDArray[np.float64], late_s: NDArray[np.float64]) -> Edge:
    """A level edge: few values, or a short span; the rate is the nominal one."""
    low = float(late_s.min())
    # Few values: the least one lies above the edge by about their spread over their number.
    excess = float(np.median(late_s)) - low
    return Edge(
        x_s=np.array([x_s[0], x_s[-1]]),
        late_s=np.full(2, low),
        u_s=max(excess / np.sqrt(len(late_s)), LEAST_U_S),
        rate=0.0,
        u_rate=PRIOR_RATE,
        excess_s=excess,
    )


def window_minima(
    x_s: NDArray[np.float64], late_s: NDArray[np.float64], width_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Place and value of the least lateness of each window of ``width_s`` that holds any."""
    # Every value belongs to the window it falls into; x rises, so windows are slices.
    count = max(int((float(x_s[-1]) - float(x_s[0])) / width_s), 1)
    bounds = np.searchsorted(x_s, x_s[0] + width_s * np.arange(count))
    starts = np.unique(bounds[bounds < len(x_s)])
    low = np.minimum.reduceat(late_s, starts)
    sizes = np.diff(np.append(starts, len(late_s)))
    hit = np.flatnonzero(late_s == np.repeat(low, sizes))
    first = hit[np.searchsorted(hit, starts)]
    return x_s[first], low


def middle_slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """The middle one of the slopes between points half the series apart (Theil's)."""
    lag = max(len(x) // 2, 1)
    dx, dy = x[lag:] - x[:-lag], y[lag:] - y[:-lag]
    return float(np.median(dy[dx > 0.0] / dx[dx > 0.0])) if (dx > 0.0).any() else 0.0


def shrunk_rate(
    x: NDArray[np.float64], y: NDArray[np.float64], u_y: float
) -> tuple[float, float]:
    """Slope of (k,) y over x and its standard uncertainty; see :func:`weighed_rate`."""
    if len(x) < 3:
        return 0.0, PRIOR_RATE
    dx = x - x.mean()
    sxx = float((dx**2).sum())
    slope = float((dx * (y - y.mean())).sum()) / sxx
    return weighed_rate(slope, max(u_y, 1e-7) ** 2 / sxx)


def weighed_rate(slope: float, variance: float) -> tuple[float, float]:
    """A slope with its variance weighed against a crystal's rate, and its standard uncertainty.

    A slope that no crystal can have is taken as it is.
    """
    if abs(slope) > CLEARLY * np.hypot(PRIOR_RATE, np.sqrt(variance)):
        return slope, float(np.sqrt(variance))
    share = PRIOR_RATE**2 / (PRIOR_RATE**2 + variance)
    return slope * share, float(np.sqrt(variance * share))
