"""Speed and acceleration from time-stamped pulse counts (M/T method).

Each frame tells the count and the device tick of the last counted edge. Between two edges the
wheel turned a whole number of pulses in a time known to a tick, so ``v = pulses · m per pulse /
time`` has neither the ±1 count of frequency counting nor the staircase of period measurement;
its
relative error is about one tick over the time between the edges, at any speed. Unequal spacing
of
the encoder's pulses repeats every revolution: it is found by folding the run over the
revolution
and taken off.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from scipy.signal import savgol_filter

from calibration import flags as flag_bits

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.clock import ClockLine
    from calibration.wheel import WheelCertificate

__all__ = [
    "LiveSpeed",
    "SpeedResult",
    "encoder_pattern_m",
    "flag_slip",
    "period_resolution",
    "speed_from_pulses",
]

HALF_S: Final = 0.25
"""Half the time over which a speed is taken, or to the next edge when that is further."""
STANDING_S: Final = 5.0
"""No edge for so long: standing."""
VISITS: Final = 20
"""Times each pulse of the wheel must have been seen before its spacing is believed."""
SPACING_U: Final = 0.02
"""Standard deviation of pulse spacing, in pulses, when the run is too short to show it."""
ACCELERATION_S: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedResult:
    """(n,) each, at the records' own times."""

    t_s: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    """Forward positive; exactly 0 at standstill; NaN before the first edge can tell."""
    u_m_s: NDArray[np.float64]
    """Standard uncertainty, circumference included."""
    acceleration_m_s2: NDArray[np.float64]
    flags: NDArray[np.uint8]
    """``SUSPECT`` where pulses were missed or doubled."""
    suspect_pulses: int = 0


def speed_from_pulses(
    records: NDArray[np.void], time_s: NDArray[np.float64], certificate: WheelCertificate
) -> SpeedResult:
    """Speed at every record of one start of a wheel-pulse device.

    Parameters
    ----------
    records : (n,) with fields ``tick``, ``edge_tick``, ``count``.
    time_s : (n,) run time of ``tick``, never falling.

    Raises
    ------
    ValueError
        ``time_s`` has another length than ``records``.
    """
    t = np.asarray(time_s, np.float64)
    n = len(records)
    if len(t) != n:
        msg = f"time_s has {len(t)} rows, records {n}"
        raise ValueError(msg)
    flags = np.zeros(n, np.uint8)
    edges = _edges(records, t)
    if edges is None:
        quiet = np.full(n, np.nan) if n < 2 else _never_moved(t)
        return SpeedResult(
            t_s=t,
            speed_m_s=quiet,
            u_m_s=np.full(n, np.nan) if n < 2 else _standing_u(t, certificate),
            acceleration_m_s2=np.zeros(n) if n >= 2 else np.full(n, np.nan),
            flags=flags,
        )
    edge_s, count = edges
    pattern = encoder_pattern_m(edge_s, count, certificate)
    place = np.asarray(count * certificate.m_per_pulse, dtype=np.float64)
    if pattern is not None:
        place = place - pattern[np.mod(count, certificate.pulses_per_revolution)]
    bad = _odd_edges(edge_s, count)
    speed, took, moved = _slopes(t, edge_s, place)
    speed = _standing(t, edge_s, speed, certificate)
    spacing = _place_sd(edge_s, place, certificate.m_per_pulse)
    u = np.hypot(
        np.sqrt(2.0) * spacing / np.maximum(took, 1e-9),
        np.abs(speed) * certificate.u_circumference_m / certificate.circumference_m,
    )
    u = np.where(moved, u, certificate.m_per_pulse / np.maximum(took, 0.1) / np.sqrt(3.0))
    if len(bad):
        near = np.searchsorted(t, edge_s[bad])
        reach = np.unique(np.clip(near[:, None] + np.arange(-1, 2), 0, n - 1))
        flags[reach] |= np.uint8(flag_bits.SUSPECT)
    return SpeedResult(
        t_s=t,
        speed_m_s=speed,
        u_m_s=u,
        acceleration_m_s2=_acceleration(t, speed),
        flags=flags,
        suspect_pulses=len(bad),
    )


def _edges(
    records: NDArray[np.void], t: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]] | None:
    """Run times of distinct last edges and their counts; None with fewer than two."""
    if len(records) < 2:
        return None
    tick = np.asarray(records["tick"], np.uint64)
    edge = np.asarray(records["edge_tick"], np.uint64)
    count = np.asarray(records["count"], np.int64)
    span = int(tick[-1] - tick[0])
    if span <= 0:
        return None
    s_per_tick = (float(t[-1]) - float(t[0])) / span
    # An edge stamped after its frame, or before the run, tells nothing.
    age = (tick - edge).view(np.int64)
    fresh = np.diff(count, prepend=count[0]) != 0
    fresh[0] = 0 <= age[0] * s_per_tick < STANDING_S
    use = fresh & (age >= 0) & (age * s_per_tick < 3600.0)
    when = t[use] - age[use] * s_per_tick
    kept = np.append(True, np.diff(np.maximum.accumulate(when)) > 0.0) if len(when) else use[:0]
    when, held = when[kept], count[use][kept]
    return (when, held) if len(when) >= 2 else None


def _slopes(
    t: NDArray[np.float64], edge_s: NDArray[np.float64], place: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Speed from the edge before ``t − h`` to the one after ``t + h``; the time between."""
    last = len(edge_s) - 1
    low = np.clip(np.searchsorted(edge_s, t - HALF_S, side="right") - 1, 0, last - 1)
    high = np.clip(np.searchsorted(edge_s, t + HALF_S, side="left"), low + 1, last)
    took = edge_s[high] - edge_s[low]
    # Pairs that reach across a stop would smear it: keep to the edges next to t there.
    wide = took > 4.0 * HALF_S + 1.0
    if wide.any():
        k = np.clip(np.searchsorted(edge_s, t[wide], side="right") - 1, 0, last - 1)
        low[wide], high[wide] = k, k + 1
        took = edge_s[high] - edge_s[low]
    speed = (place[high] - place[low]) / took
    return speed, took, np.abs(place[high] - place[low]) > 0.0


def _standing(
    t: NDArray[np.float64],
    edge_s: NDArray[np.float64],
    speed: NDArray[np.float64],
    certificate: WheelCertificate,
) -> NDArray[np.float64]:
    """Zero inside long silences; decaying to one pulse over the silence at its ends."""
    last = len(edge_s) - 1
    k = np.searchsorted(edge_s, t, side="right") - 1
    since = np.where(k >= 0, t - edge_s[np.maximum(k, 0)], np.inf)
    until = np.where(k < last, edge_s[np.minimum(k + 1, last)] - t, np.inf)
    silence = since + until
    out = speed.copy()
    pulse = certificate.m_per_pulse
    inside = np.isfinite(silence) & (silence > STANDING_S)
    out[inside] = 0.0
    # Open ends: nothing yet, or nothing more; speed is at most one pulse over the silence.
    ahead, behind = ~np.isfinite(since), ~np.isfinite(until)
    out[ahead & (until > HALF_S)] = 0.0
    slow = behind & (since > 0.0)
    bound = pulse / np.maximum(since, 1e-9)
    out[slow] = np.sign(out[slow]) * np.minimum(np.abs(out[slow]), bound[slow])
    out[behind & (since > STANDING_S)] = 0.0
    return out


def _never_moved(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Not one edge: standing, once the silence is long enough to say so."""
    return np.where(t[-1] - t[0] > STANDING_S, np.zeros(len(t)), np.full(len(t), np.nan))


def _standing_u(t: NDArray[np.float64], certificate: WheelCertificate) -> NDArray[np.float64]:
    span = max(float(t[-1] - t[0]), 0.1)
    return np.full(len(t), certificate.m_per_pulse / span / np.sqrt(3.0))


def encoder_pattern_m(
    edge_s: NDArray[np.float64], count: NDArray[np.int64], certificate: WheelCertificate
) -> NDArray[np.float64] | None:
    """Displacement of each pulse of the encoder from even spacing, m, (pulses per revolution,).

    The place of an edge is compared with the straight line through the edges about one
    revolution
    before and after it, and averaged by its place in the revolution. ``None`` when the run does
    not show every pulse at least twenty times at an even speed.
    """
    ppr = certificate.pulses_per_revolution
    if len(edge_s) < VISITS * ppr or ppr < 2:
        return None
    place = count.astype(np.float64)
    turns = np.abs(np.diff(place))
    # Frames per half revolution, by the median: the comb of the comparison.
    half = int(np.clip(round(ppr / 2.0 / max(float(np.median(turns)), 1e-9)), 1, 500))
    i = np.arange(half, len(edge_s) - half)
    a, b = i - half, i + half
    took = edge_s[b] - edge_s[a]
    share = (edge_s[i] - edge_s[a]) / took
    residual = place[i] - (place[a] + share * (place[b] - place[a]))
    even = (took < 4.0) & (np.abs(residual) < 0.5)
    phase = np.mod(count[i][even], ppr)
    visits = np.bincount(phase, minlength=ppr)
    if visits.min() < VISITS:
        return None
    mean = np.bincount(phase, residual[even], minlength=ppr) / visits
    # Counting places the edge at n when it stands at n + e: taking −e off moves it there.
    pattern = (mean - mean.mean()) * certificate.m_per_pulse
    return np.asarray(pattern)


def _place_sd(edge_s: NDArray[np.float64], place: NDArray[np.float64], pulse_m: float) -> float:
    """Standard deviation of an edge's place, m, as the run shows it.

    From how far edges lie off the straight line between their neighbours, on even running; that
    spread is √1.5 times the one of a single edge.
    """
    if len(edge_s) < 50:
        return SPACING_U * pulse_m
    took = edge_s[2:] - edge_s[:-2]
    share = (edge_s[1:-1] - edge_s[:-2]) / took
    off = place[1:-1] - (place[:-2] + share * (place[2:] - place[:-2]))
    near = off[took < 1.0]
    if len(near) < 48:
        return SPACING_U * pulse_m
    sd = 1.4826 * float(np.median(np.abs(near))) / np.sqrt(1.5)
    return float(max(sd, 1e-4 * pulse_m))


def _odd_edges(edge_s: NDArray[np.float64], count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Indices of edges at which at least about a pulse was missed or counted twice."""
    step = np.diff(count).astype(np.float64)
    took = np.diff(edge_s)
    if len(step) < 7:
        return np.empty(0, np.int64)
    rate = step / took
    around = np.median(np.lib.stride_tricks.sliding_window_view(rate, 7), axis=1)
    off = np.zeros(len(step))
    off[3:-3] = step[3:-3] - around * took[3:-3]
    # At a crawl a pulse more or less is speed; between close frames at speed it is not.
    fast = np.zeros(len(step), bool)
    fast[3:-3] = np.abs(around) * 0.05 > 1.0
    return np.asarray(np.flatnonzero((np.abs(off) > 0.7) & fast & (took < 0.1)))


def _acceleration(t: NDArray[np.float64], speed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Local quadratic over three seconds (Savitzky and Golay 1964) on the records' own step."""
    n = len(t)
    step = (float(t[-1]) - float(t[0])) / max(n - 1, 1)
    window = min(round(ACCELERATION_S / max(step, 1e-6)) | 1, n if n % 2 else n - 1)
    if window < 3 or step <= 0.0:
        return np.full(n, np.nan)
    return np.asarray(savgol_filter(speed, window, min(2, window - 1), deriv=1, delta=step))


def flag_slip(
    speed_m_s: NDArray[np.float64],
    u_m_s: NDArray[np.float64],
    gnss_m_s: NDArray[np.float64],
    *,
    u_gnss_m_s: float = 0.15,
) -> NDArray[np.int8]:
    """+1 where the wheel turns faster than the train moves (slip), −1 slower (slide), else 0.

    Four standard uncertainties of the difference and 0.5 m/s are both exceeded; NaN gives 0.
    (n,) each, at the same instants.
    """
    difference = np.abs(speed_m_s) - np.abs(gnss_m_s)
    limit = np.maximum(4.0 * np.hypot(u_m_s, u_gnss_m_s), 0.5)
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(difference) > limit, np.sign(difference), 0.0).astype(np.int8)


def period_resolution(
    frequency_hz: float, *, clock_hz: float, gate_s: float
) -> tuple[float, float]:
    """Relative resolution of counting over a gate, ``1/(f·T)``, and of one period, ``f/fc``."""
    return 1.0 / (frequency_hz * gate_s), frequency_hz / clock_hz


class LiveSpeed:
    """Speed as it comes, over the last half second of edges. One a start of a device."""

    def __init__(self, certificate: WheelCertificate) -> None:
        self._pulse = certificate.m_per_pulse
        self._edges: deque[tuple[float, int]] = deque(maxlen=512)
        self._count: int | None = None

    def update(self, records: NDArray[Any], line: ClockLine) -> float:
        """Speed at the last of (n,) records, m/s; NaN while nothing can be told."""
        if not len(records):
            return self._now(self._edges[-1][0] if self._edges else 0.0)
        count = np.asarray(records["count"], np.int64)
        # Records may come one by one: the count before them is remembered, edge or none.
        previous = count[0] if self._count is None else self._count
        self._count = int(count[-1])
        new = np.flatnonzero(np.diff(count, prepend=previous) != 0)
        times = line.time_s(np.asarray(records["edge_tick"], np.uint64)[new])
        for when, held in zip(times.tolist(), count[new].tolist(), strict=True):
            if self._edges and when <= self._edges[-1][0]:
                self._edges.clear()
            self._edges.append((when, held))
        return self._now(float(line.time_s(records["tick"][-1:])[0]))

    def _now(self, t_s: float) -> float:
        edges = self._edges
        if not edges:
            return 0.0
        newest_s, newest = edges[-1]
        silence = t_s - newest_s
        if silence > STANDING_S:
            return 0.0
        older = next(
            ((s, c) for s, c in reversed(edges) if newest_s - s >= 2.0 * HALF_S), edges[0]
        )
        if older[0] == newest_s:
            return 0.0
        speed = (newest - older[1]) * self._pulse / (newest_s - older[0])
        bound = self._pulse / silence if silence > 0.0 else np.inf
        return float(np.sign(speed) * min(abs(speed), max(bound, 0.0)))
