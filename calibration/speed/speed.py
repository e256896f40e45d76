"""Speed and acceleration from time-stamped pulse counts (M/T method).

Each frame holds the count and the device tick of the last counted edge. Between two edges the
wheel turned a whole number of pulses in a time known to a tick: a speed has neither the ±1 count
of frequency counting nor the staircase of period measurement. Here a straight line is laid by
least squares through the edges of half a second around each instant, or through the two nearest
ones at a crawl. Missed and doubled pulses are found and taken out of the speed (the count stays
as it was), and so is the unevenness of the encoder.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from calibration.speed.local_lines import Slopes, line_slopes
from calibration.speed.pulses import (
    HALF_S,
    STANDING_S,
    UNEVEN_PULSE,
    columns,
    encoder_pattern,
    find_edges,
    odd_steps,
)
from calibration.speed.result import SpeedResult
from calibration.statistics.median_scatter import normal_sd

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from calibration.certificates.wheel import WheelCertificate

__all__ = ["speed_from_pulses"]

LOST_S: Final = 1.0
"""Edges further apart than this, and by more than a pulse: frames are missing between."""
SPACING_U: Final = 0.02
"""Standard deviation of pulse spacing, in pulses, when the run is too short to show it."""
UNEVEN_U: Final = 0.05
"""Slow unevenness of an encoder whose pattern the run does not show, in pulses."""
PATTERN_U: Final = 0.01
"""What is left of a pattern taken off, in pulses."""
UNSEEN_M_S2: Final = 0.1
"""Acceleration that may hide between two edges at a crawl."""
ROLL_S: Final = 1.0
"""So long at most it may go on rolling after the last edge before a stand."""
ACCELERATION_S: Final = 3.0
"""Acceleration is the slope of speed over so long: a local quadratic of distance."""
BLOCK: Final = 1 << 14


@dataclass(frozen=True, slots=True)
class _EdgeTrack:
    """Edges as the speed takes them."""

    t_s: NDArray[np.float64]
    place_m: NDArray[np.float64]
    part: NDArray[np.int64]
    """Number of the stretch each lies in: a silence or missing frames part them."""
    pulse_m: float
    spacing_m: float
    slow_m: float


def speed_from_pulses(
    records: NDArray[np.void],
    time_s: NDArray[np.float64],
    certificate: WheelCertificate,
    *,
    pattern_pulses: NDArray[np.float64] | None = None,
) -> SpeedResult:
    """Speed at every record of one start of a wheel-pulse device.

    Parameters
    ----------
    records : (n,) with fields ``tick``, ``edge_tick``, ``count``.
    time_s : (n,) run time of ``tick``, never falling.
    pattern_pulses : (pulses per revolution,), optional
        Unevenness of the encoder as found before (of a longer stretch of the same start).

    Raises
    ------
    ValueError
        ``time_s`` has another length than ``records``, is not finite or falls; a pattern of
        another length than the certificate's pulses per revolution.
    """
    t = np.asarray(time_s, np.float64)
    n = len(records)
    if len(t) != n or not np.isfinite(t).all() or np.any(t[1:] < t[:-1]):
        msg = f"time_s must be {n} finite times that never fall, one a record, got {len(t)}"
        raise ValueError(msg)
    ppr = certificate.pulses_per_revolution
    if pattern_pulses is not None and pattern_pulses.shape != (ppr,):
        msg = f"a pattern has one entry a pulse, {ppr}, got {pattern_pulses.shape}"
        raise ValueError(msg)
    edges = find_edges(*columns(records), t)
    odd = odd_steps(edges.t_s, edges.line)
    line = edges.line - np.cumsum(odd)
    if pattern_pulses is None:
        pattern_pulses = encoder_pattern(edges.t_s, line, ppr)
    track = _track(edges.t_s, line, pattern_pulses, certificate)
    speed, own = _speeds(t, track)
    for start in range(0, n, BLOCK):
        some = slice(start, start + BLOCK)
        _silence(t[some], (float(t[0]), float(t[-1])), track, speed[some], own[some])
    u = np.hypot(own, speed * (certificate.u_circumference_m / certificate.circumference_m))
    acceleration, u_acceleration = _accelerations(t, speed, own)
    return SpeedResult(
        t_s=t,
        speed_m_s=speed,
        u_m_s=u,
        acceleration_m_s2=acceleration,
        u_acceleration_m_s2=u_acceleration,
        flags=_suspect(t, edges.t_s[odd != 0]),
        pattern_pulses=pattern_pulses,
    )


def _track(
    edge_s: NDArray[np.float64],
    line: NDArray[np.int64],
    pattern: NDArray[np.float64] | None,
    certificate: WheelCertificate,
) -> _EdgeTrack:
    pulse = certificate.m_per_pulse
    # Distance from the first edge: float64 keeps the pulse whole at any count.
    place = (line - line[:1]).astype(np.float64)
    if pattern is not None:
        place += pattern[np.mod(line, len(pattern))]
    place *= pulse
    gap = np.diff(edge_s, prepend=edge_s[:1])
    lost = (gap > LOST_S) & (np.abs(np.diff(line, prepend=line[:1])) > 1)
    return _EdgeTrack(
        t_s=edge_s,
        place_m=place,
        part=np.asarray(np.cumsum((gap > STANDING_S) | lost), np.int64),
        pulse_m=pulse,
        spacing_m=_spacing_m(edge_s, place, pulse),
        slow_m=(UNEVEN_U if pattern is None else PATTERN_U) * pulse,
    )


def _spacing_m(
    edge_s: NDArray[np.float64], place: NDArray[np.float64], pulse_m: float
) -> float:
    """Standard deviation of an edge's place, m, as the run shows it.

    From how far edges lie off the straight line between their neighbours, on even running; that
    spread is √1.5 times the one of a single edge.
    """
    if len(edge_s) < 50:
        return SPACING_U * pulse_m
    every = max(len(edge_s) // 200_000, 1)
    took = (edge_s[2:] - edge_s[:-2])[::every]
    share = (edge_s[1:-1] - edge_s[:-2])[::every] / took
    off = (place[1:-1] - place[:-2])[::every] - share * (place[2:] - place[:-2])[::every]
    near = off[took < 1.0]
    if len(near) < 48:
        return SPACING_U * pulse_m
    sd = normal_sd(near) / np.sqrt(1.5)
    return float(max(sd, 1e-3 * pulse_m))


def _speeds(
    t: NDArray[np.float64], track: _EdgeTrack
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Speed and its own uncertainty (no circumference) at (n,) instants, standing apart."""
    speed, u = np.full(len(t), np.nan), np.full(len(t), np.nan)
    last = len(track.t_s) - 1
    if last < 1:
        return speed, u
    for start in range(0, len(t), BLOCK):
        stop = min(start + BLOCK, len(t))
        # Worked with somewhat more than is kept: a block has no ends of its own.
        a = int(np.searchsorted(t, t[start] - STANDING_S))
        b = int(np.searchsorted(t, t[stop - 1] + STANDING_S, side="right"))
        now, keep = t[a:b], slice(start - a, stop - a)
        low = np.clip(np.searchsorted(track.t_s, now - HALF_S, side="right") - 1, 0, last - 1)
        high = np.clip(np.searchsorted(track.t_s, now + HALF_S, side="left"), low + 1, last)
        low, high = _within_part(now, track, low, high)
        fit = line_slopes(track.t_s, track.place_m, low, high)
        speed[start:stop] = _at_instants(now, fit, track.part[low])[keep]
        took = fit.span[keep]
        wide = np.maximum(took - 2.0 * HALF_S, 0.0)
        hidden = np.minimum(UNSEEN_M_S2 * wide, track.pulse_m / took) / np.sqrt(12.0)
        noise = track.spacing_m**2 / fit.spread[keep]
        slow = 2.0 * (track.slow_m / took) ** 2
        u[start:stop] = np.sqrt(noise + slow + hidden**2)
    return speed, u


def _within_part(
    now: NDArray[np.float64], track: _EdgeTrack, low: NDArray[np.int64], high: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Edges of one stretch only, the one ``now`` lies in, when it has two within reach."""
    apart = track.part[low] != track.part[high]
    if not apart.any():
        return low, high
    low, high = low.copy(), high.copy()
    where = np.flatnonzero(apart)
    final_edge = len(track.t_s) - 1
    here = np.clip(np.searchsorted(track.t_s, now[where], side="right") - 1, 0, final_edge)
    # In a silence itself the nearer side is taken.
    after = np.minimum(here + 1, final_edge)
    nearer = np.abs(track.t_s[after] - now[where]) < np.abs(now[where] - track.t_s[here])
    number = track.part[np.where(nearer, after, here)]
    first = np.searchsorted(track.part, number, side="left")
    final = np.searchsorted(track.part, number, side="right") - 1
    a, b = np.maximum(low[where], first), np.minimum(high[where], final)
    # One edge alone is no speed: reach one further where the stretch has it.
    a = np.where(a >= b, np.maximum(np.minimum(a, b) - 1, first), a)
    b = np.where(a >= b, np.minimum(a + 1, final), b)
    good = a < b
    low[where[good]], high[where[good]] = a[good], b[good]
    return low, high


def _at_instants(
    now: NDArray[np.float64], fit: Slopes, part: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Speeds at (m,) instants from slopes that each hold at the middle of their own edges.

    Straight between those of one stretch; beyond its ends, where windows reach to one side
    only, along the last quarter of a second's change, and never through zero.
    """
    out = np.empty(len(now))
    for first, stop in _runs(part):
        x, where = np.unique(fit.at[first:stop], return_index=True)
        v = fit.slope[first:stop][where]
        t = now[first:stop]
        held = np.interp(t, x, v)
        for end, beyond in ((0, x[0] - t), (-1, t - x[-1])):
            reach = np.clip(beyond, 0.0, HALF_S)
            inner = x[end] + (HALF_S if end == 0 else -HALF_S)
            if not reach.any() or not x[0] <= inner <= x[-1]:
                continue
            change = (v[end] - float(np.interp(inner, x, v))) / HALF_S
            carried = held + change * reach
            held = np.where(carried * held > 0.0, carried, 0.0)
        out[first:stop] = held
    return out


def _runs(part: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Bounds of stretches of equal numbers."""
    cuts = (np.flatnonzero(np.diff(part)) + 1).tolist()
    return pairwise([0, *cuts, len(part)])


def _silence(
    now: NDArray[np.float64],
    ends: tuple[float, float],
    track: _EdgeTrack,
    speed: NDArray[np.float64],
    u: NDArray[np.float64],
) -> None:
    """Hold (m,) speeds to what silence allows, in place: 0 at standstill.

    Since the last edge, and until the next, the wheel turned less than one pulse. ``ends`` are
    the first and last time of the records.
    """
    pulse, edge_s = track.pulse_m, track.t_s
    whole_s = ends[1] - ends[0]
    if not len(edge_s):
        if whole_s > STANDING_S:
            speed[:], u[:] = 0.0, pulse / whole_s / np.sqrt(3.0)
        return
    if len(edge_s) == 1 and whole_s > 0.0:
        speed[:], u[:] = 0.0, 2.0 * pulse / whole_s / np.sqrt(3.0)
    k = np.searchsorted(edge_s, now, side="right") - 1
    last, following = np.maximum(k, 0), np.minimum(k + 1, len(edge_s) - 1)
    before, after = k < 0, k + 1 >= len(edge_s)
    since = np.where(before, np.inf, now - edge_s[last])
    until = np.where(after, np.inf, edge_s[following] - now)
    gap = np.where(before, edge_s[0] - ends[0], edge_s[following] - edge_s[last])
    gap = np.where(after, ends[1] - edge_s[-1], gap)
    # A long silence across which many pulses went is one of frames, not of the wheel.
    moved = np.abs(track.place_m[following] - track.place_m[last])
    quiet = (gap > STANDING_S) & (before | after | (moved < 1.5 * pulse))
    near = np.minimum(since, until)
    slow = (before | after) & (near > 0.0)
    bound = UNEVEN_PULSE * pulse / near[slow]
    speed[slow] = np.clip(speed[slow], -bound, bound)
    # Into a stand, and out of it: evenly, over half a pulse, as no one knows better.
    ramp = np.clip(1.0 - near[quiet] * np.abs(speed[quiet]) / pulse, 0.0, 1.0)
    # A speed of a pulse over the silence is that of the silence itself: no rolling.
    rolling = np.abs(speed[quiet]) * gap[quiet] > 1.5 * pulse
    moving = rolling & (ramp > 0.0) & (near[quiet] < ROLL_S)
    speed[quiet] = np.where(moving, speed[quiet] * ramp, 0.0)
    u[quiet] = pulse / gap[quiet] / np.sqrt(3.0) + 0.5 * np.abs(speed[quiet])


def _accelerations(
    t: NDArray[np.float64], speed: NDArray[np.float64], u_own: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slope of speed over three seconds, and its standard uncertainty.

    At even steps that is the slope of the local quadratic of Savitzky and Golay (1964).
    """
    n = len(t)
    out, u = np.full(n, np.nan), np.full(n, np.nan)
    if n < 3:
        return out, u
    half = ACCELERATION_S / 2.0
    for start in range(0, n, BLOCK):
        some = slice(start, start + BLOCK)
        low = np.searchsorted(t, t[some] - half, side="left")
        high = np.searchsorted(t, t[some] + half, side="right") - 1
        fit = line_slopes(t, speed, low, high)
        out[some] = fit.slope
        # Speeds half a second apart are independent of each other, nearer ones are not.
        each = np.maximum(fit.n * 2.0 * HALF_S / np.maximum(fit.span, 2.0 * HALF_S), 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            u[some] = u_own[some] * np.sqrt(each / fit.spread)
    return out, u


def _suspect(t: NDArray[np.float64], odd_s: NDArray[np.float64]) -> NDArray[np.uint8]:
    """``SUSPECT`` on the records next to odd edges."""
    flags = np.zeros(len(t), np.uint8)
    if len(odd_s):
        near = np.searchsorted(t, odd_s)
        reach = np.unique(np.clip(near[:, None] + np.arange(-1, 2), 0, len(t) - 1))
        flags[reach] = np.uint8(flag_bits.SUSPECT)
    return flags
