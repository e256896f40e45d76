"""Device ticks to run time to UTC.

A frame is never received before it was sent: latency only adds. So the tie of a device's clock
to
run time lies on the *lower* edge of receipt time against ticks, and the tie of UTC to run time
on
the *upper* edge of (UTC in the sentence − receipt time). Both edges move slowly, with the drift
of
an oscillator: they are followed by straight lines over windows, not by one line over a day.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ClockLine",
    "LiveTickClock",
    "TickFit",
    "UtcFit",
    "fit_ticks",
    "fit_utc",
]

FLAT_SPAN_S: Final = 20.0
"""Over less than this the slope is the nominal one: receipt jitter would decide it."""
WINDOW_S: Final = 30.0
SMOOTH_S: Final = 600.0
GREATEST_PPM: Final = 500.0
"""An oscillator further off than this is broken, not drifting."""
NMEA_DELAY_S: Final = 0.08
"""Usual least delay from the second to the end of its sentence; common practice, ± 50 ms."""
NMEA_DELAY_U_S: Final = 0.04
PPS_U_S: Final = 2e-4
DRIFT_U: Final = 1e-6
"""Standard uncertainty of an oscillator's rate once followed, s/s: what an outage costs."""


@dataclass(frozen=True, slots=True)
class ClockLine:
    """Run time of ticks: ``t0_s + (tick − tick0)·s_per_tick``."""

    tick0: int
    t0_s: float
    s_per_tick: float

    def time_s(self, ticks: ArrayLike) -> NDArray[np.float64]:
        """Run time of (n,) unsigned 64-bit ticks, s."""
        steps = (np.asarray(ticks, np.uint64) - np.uint64(self.tick0)).view(np.int64)
        return np.asarray(self.t0_s + steps * self.s_per_tick)


class LiveTickClock:
    """Ties ticks to run time block by block; times never step back.

    One clock a start of a device.
    device.

    The offset is the least (receipt − ticks) of the last minute. A lower one found later is not
    jumped to: the line of the next block starts where the last one ended and leans towards it.
    """

    def __init__(self, tick_hz: float, *, hold_s: float = 60.0) -> None:
        self._hz = float(tick_hz)
        self._hold_s = hold_s
        self._least: deque[tuple[float, float]] = deque()
        self._origin: int | None = None
        self._tick = 0
        self._t_s = 0.0

    def update(self, tick: int, received_s: float) -> ClockLine:
        """Take in a block's last tick and when it was in hand; returns the block's line."""
        if self._origin is None:
            self._origin = self._tick = tick
            self._t_s = received_s
            self._note(received_s, received_s)
            return ClockLine(tick, received_s, 1.0 / self._hz)
        step = tick - self._tick
        if step <= 0:
            return ClockLine(self._tick, self._t_s, 1.0 / self._hz)
        nominal_s = step / self._hz
        late_s = received_s - (tick - self._origin) / self._hz
        self._note(received_s, late_s)
        target = self._least[0][1] + (tick - self._origin) / self._hz
        # Never faster than twice nor slower than half: order of samples is kept.
        t_s = min(max(target, self._t_s + 0.5 * nominal_s), self._t_s + 2.0 * nominal_s)
        line = ClockLine(self._tick, self._t_s, (t_s - self._t_s) / step)
        self._tick, self._t_s = tick, t_s
        return line

    def _note(self, received_s: float, late_s: float) -> None:
        """Sliding minimum: a deque of rising candidates, at most one a tenth of a second."""
        least = self._least
        while least and least[-1][1] >= late_s:
            least.pop()
        if not least or received_s - least[-1][0] >= 0.1:
            least.append((received_s, late_s))
        while len(least) > 1 and least[0][0] < received_s - self._hold_s:
            least.popleft()


@dataclass(frozen=True, slots=True, kw_only=True)
class TickFit:
    """Run time of ticks as straight pieces between knots."""

    tick0: int
    knots_tick: NDArray[np.float64]
    """(k,) ticks after ``tick0``, rising."""
    knots_s: NDArray[np.float64]
    """(k,) run time, rising."""
    u_s: float
    """Standard uncertainty of a time, constant latency apart (which cannot be seen)."""
    drift_ppm: float
    """Mean rate error of the device's oscillator against the computer's."""

    def time_s(self, ticks: ArrayLike) -> NDArray[np.float64]:
        """Run time of (n,) unsigned 64-bit ticks, s; end pieces are carried on."""
        steps = (np.asarray(ticks, np.uint64) - np.uint64(self.tick0)).view(np.int64)
        return _pieces(np.asarray(steps, np.float64), self.knots_tick, self.knots_s)


def fit_ticks(
    ticks: NDArray[np.uint64], received_s: NDArray[np.float64], *, tick_hz: float
) -> TickFit:
    """Tie one start of a device to run time by the lower edge of its receipt times.

    Parameters
    ----------
    ticks : (n,) unwrapped, rising; of the last sample of each block.
    received_s : (n,) run time at which the block was in hand.

    Raises
    ------
    ValueError
        Fewer than two blocks, times that are not finite, or ticks that do not rise.
    """
    ticks = np.asarray(ticks, np.uint64)
    if len(ticks) < 2 or len(ticks) != len(received_s):
        msg = f"a clock fit wants at least two blocks, got {len(ticks)}"
        raise ValueError(msg)
    steps = (ticks - ticks[0]).view(np.int64).astype(np.float64)
    if not np.isfinite(received_s).all() or np.any(np.diff(steps) <= 0.0):
        msg = "a clock fit wants finite receipt times and rising ticks"
        raise ValueError(msg)
    nominal_s = steps / tick_hz
    late_s = np.asarray(received_s, np.float64) - nominal_s
    at_s, edge_s, u_s = _edge(nominal_s, late_s)
    slope = (edge_s[-1] - edge_s[0]) / (at_s[-1] - at_s[0]) if len(at_s) > 1 else 0.0
    return TickFit(
        tick0=int(ticks[0]),
        knots_tick=at_s * tick_hz,
        knots_s=at_s + edge_s,
        u_s=u_s,
        drift_ppm=-1e6 * slope,
    )


def _edge(
    x_s: NDArray[np.float64], late_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Lower edge of lateness: knots (seconds of the device), edge there, its uncertainty."""
    span = float(x_s[-1] - x_s[0])
    if span < FLAT_SPAN_S:
        low = float(late_s.min())
        spread = float(np.quantile(late_s, 0.25)) - low
        ends = np.array([x_s[0], x_s[-1]])
        return ends, np.full(2, low), max(spread, 1e-6)
    width = min(WINDOW_S, span / 8.0)
    index = np.minimum(((x_s - x_s[0]) / width).astype(np.int64), int(span / width))
    order = np.lexsort((late_s, index))
    first = np.flatnonzero(np.diff(index[order], prepend=-1))
    picked = order[first]
    at, low_s = x_s[picked], late_s[picked]
    smooth = _local_lines(at, low_s)
    residual = low_s - smooth
    # The smoothed line runs through the windows' minima; their scatter says how far above the
    # true edge they lie, and how well it is known.
    u_s = float(np.median(np.abs(residual)) * 1.4826) if len(at) > 2 else 1e-4
    ends = np.array([x_s[0], *at[(at > x_s[0]) & (at < x_s[-1])], x_s[-1]])
    return ends, _pieces(ends, at, smooth), max(u_s, 1e-6)


def _local_lines(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Robust local straight lines through (k,) points, each over ± half the smoothing span."""
    out = np.empty(len(x))
    if len(x) < 3:
        return y.copy()
    half = max(SMOOTH_S / 2.0, 2.0 * float(np.median(np.diff(x))))
    starts = np.searchsorted(x, x - half)
    stops = np.searchsorted(x, x + half, side="right")
    for i, (a, b) in enumerate(zip(starts, stops, strict=True)):
        a, b = max(min(a, len(x) - 3), 0), max(b, min(3, len(x)))
        out[i] = _line_at(x[a:b] - x[i], y[a:b])
    return out


def _line_at(dx: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Value at dx = 0 of a straight line, latecomers down-weighted (they can only be late)."""
    weight = np.ones(len(y))
    value, slope = float(np.median(y)), 0.0
    for _ in range(5):
        total = weight.sum()
        mx, my = (weight * dx).sum() / total, (weight * y).sum() / total
        sxx = (weight * (dx - mx) ** 2).sum()
        slope = float((weight * (dx - mx) * (y - my)).sum() / sxx) if sxx > 0.0 else 0.0
        slope = float(np.clip(slope, -GREATEST_PPM * 1e-6, GREATEST_PPM * 1e-6))
        value = float(my - slope * mx)
        residual = y - (value + slope * dx)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-7)
        weight = np.where(residual > 0.0, 1.0 / (1.0 + (residual / scale) ** 2), 1.0)
    return value


def _pieces(
    x: NDArray[np.float64], knots: NDArray[np.float64], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Straight pieces between knots; the end pieces carried on."""
    if len(knots) == 1:
        return np.asarray(values[0] + (x - knots[0]))
    k = np.clip(np.searchsorted(knots, x) - 1, 0, len(knots) - 2)
    slope = (values[k + 1] - values[k]) / (knots[k + 1] - knots[k])
    return np.asarray(values[k] + (x - knots[k]) * slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class UtcFit:
    """UTC of run time as straight pieces between knots."""

    knots_s: NDArray[np.float64]
    """(k,) run time, rising."""
    offsets_ns: NDArray[np.float64]
    """(k,) UTC less run time, less ``base_ns``."""
    base_ns: int
    fixes_s: NDArray[np.float64]
    """(m,) run times at which the tie was observed."""
    base_u_s: float
    source: str
    """``pulse per second`` or ``sentences``."""
    steps: tuple[tuple[float, float], ...] = ()
    """Whole-second jumps of the receiver: (run time, seconds); not followed, told."""

    def utc_ns(self, t_run_s: ArrayLike) -> NDArray[np.int64]:
        """UTC in nanoseconds since 1970 (leap seconds not counted) of (n,) run times."""
        t = np.asarray(t_run_s, np.float64)
        offset = _pieces(t, self.knots_s, self.offsets_ns)
        return np.asarray(self.base_ns + np.rint(t * 1e9 + offset).astype(np.int64))

    def u_s(self, t_run_s: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty, s: the tie's own, and drift since the nearest observation."""
        t = np.asarray(t_run_s, np.float64)
        k = np.searchsorted(self.fixes_s, t)
        before = t - self.fixes_s[np.clip(k - 1, 0, len(self.fixes_s) - 1)]
        after = self.fixes_s[np.clip(k, 0, len(self.fixes_s) - 1)] - t
        away = np.minimum(np.abs(before), np.abs(after))
        return np.hypot(self.base_u_s, away * DRIFT_U)


def fit_utc(
    t_run_s: NDArray[np.float64],
    utc_ns: NDArray[np.int64],
    *,
    pps_t_s: NDArray[np.float64] | None = None,
) -> UtcFit:
    """Tie run time to UTC by time sentences, and by pulses per second where they were wired.

    Parameters
    ----------
    t_run_s : (n,) run time at which each valid sentence was received.
    utc_ns : (n,) UTC it told, nanoseconds since 1970.
    pps_t_s : (m,) run times of pulse-per-second edges; each is the start of the UTC second that
        the sentences right after it name.

    Raises
    ------
    ValueError
        Fewer than two sentences, or none that names the second of a pulse.
    """
    t = np.asarray(t_run_s, np.float64)
    told = np.asarray(utc_ns, np.int64)
    good = np.isfinite(t) & (told > np.iinfo(np.int64).min)
    t, told = t[good], told[good]
    if len(t) < 2:
        msg = f"a UTC fit wants at least two valid time sentences, got {len(t)}"
        raise ValueError(msg)
    base = int(told[0] - round(float(t[0]) * 1e9))
    # float64 holds a nanosecond over a run's offset from the base.
    offset_s = ((told - base) - np.rint(t * 1e9).astype(np.int64)).astype(np.float64) / 1e9
    kept, steps = _without_steps(t, offset_s)
    t, offset_s = t[kept], offset_s[kept]
    if pps_t_s is not None and len(pps_t_s):
        return _by_pulses(np.asarray(pps_t_s, np.float64), t, offset_s, base, steps)
    at, edge, spread = _edge(t - t[0], -offset_s)
    return UtcFit(
        knots_s=at + t[0],
        offsets_ns=(-edge + NMEA_DELAY_S) * 1e9,
        base_ns=base,
        fixes_s=t,
        base_u_s=float(np.hypot(NMEA_DELAY_U_S, spread)),
        source="sentences",
        steps=steps,
    )


def _by_pulses(
    pulses: NDArray[np.float64],
    t: NDArray[np.float64],
    offset_s: NDArray[np.float64],
    base: int,
    steps: tuple[tuple[float, float], ...],
) -> UtcFit:
    """Each pulse takes the second told by the first sentence within the second after it."""
    k = np.searchsorted(t, pulses)
    has = k < len(t)
    pulses, k = pulses[has], k[has]
    near = t[k] - pulses < 0.95
    pulses, k = pulses[near], k[near]
    if len(pulses) < 2:
        msg = "no pulse per second is followed by a sentence that names its second"
        raise ValueError(msg)
    # UTC told, at whole seconds, less the run time of the pulse itself.
    part = (base % 10**9) / 1e9
    second = np.round(offset_s[k] + t[k] + part) - part
    tie = second - pulses
    middle = np.median(tie)
    good = np.abs(tie - middle) < 0.5
    pulses, tie = pulses[good], tie[good]
    lines = _local_lines(pulses, tie) if len(pulses) < 2000 else _thinned(pulses, tie)
    spread = float(np.median(np.abs(tie - lines))) * 1.4826
    return UtcFit(
        knots_s=pulses,
        offsets_ns=lines * 1e9,
        base_ns=base,
        fixes_s=pulses,
        base_u_s=float(np.hypot(PPS_U_S, spread)),
        source="pulse per second",
        steps=steps,
    )


def _thinned(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Local lines at every so many-th point, straight in between."""
    pick = np.unique(np.linspace(0, len(x) - 1, 1500).astype(np.int64))
    size = max(len(x) // 1500, 1)
    medians = np.array([np.median(y[max(i - size, 0) : i + size + 1]) for i in pick])
    return _pieces(x, x[pick], _local_lines(x[pick], medians))


def _without_steps(
    t: NDArray[np.float64], offset_s: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], tuple[tuple[float, float], ...]]:
    """Leave out sentences a whole second or more off the others; tell where it stepped."""
    middle = float(np.median(offset_s))
    off = np.abs(offset_s - middle) > 0.75
    # Slow drift over a day may pass 0.75 s: measure against a straight line then.
    if off.any() and (~off).sum() >= 2:
        line = np.polynomial.Polynomial.fit(t[~off], offset_s[~off], 1)
        off = np.abs(offset_s - line(t)) > 0.75
        away = np.where(off, np.round(offset_s - line(t)), 0.0)
    else:
        away = np.zeros(len(t))
    change = np.flatnonzero(np.diff(away, prepend=0.0))
    steps = tuple((float(t[i]), float(away[i])) for i in change[:1000])
    return ~off, steps
