"""Run time to UTC, by time sentences and by pulses per second.

A sentence is late by a delay that only adds: the tie lies on the lower edge of its lateness,
less the usual least delay, which is stated and not known well. A pulse marks the second itself;
the sentence after it names which. The fit runs on a scale without leap seconds, by the table and
by what the receiver shows at a month's end; a receiver that jumps by whole seconds at another
time has learnt its leap seconds late, or is wrong: its jumps are reported and not followed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from calibration.clock.local_smooth import interpolated, smooth_lines
from calibration.clock.lower_edge import lower_edge, shrunk_rate
from calibration.statistics.median_scatter import normal_sd
from calibration.utc.leap_seconds import tai_minus_utc_ns, utc_of_tai_ns
from calibration.utc.spans import NS
from calibration.utc.whole_seconds import settle_seconds

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["NMEA_DELAY_S", "NMEA_DELAY_U_S", "UtcFit", "fit_utc"]

NMEA_DELAY_S: Final = 0.6
"""Least delay from the second to the first byte of its first sentence, where nobody states it:
receivers speak between some hundredths of a second and 1.2 s after it (from experience)."""
NMEA_DELAY_U_S: Final = 0.6
PPS_U_S: Final = 2e-4
"""Standard uncertainty of a pulse's run time: the counter's latency, which cannot be seen."""
DRIFT_U: Final = 1e-6
"""Standard uncertainty of an oscillator's rate once followed, s/s: what an outage costs."""
STEEPEST: Final = 2e-4
"""Of the receiver's seconds against run time: both are true but for the computer's crystal, which
is not further off (from experience); a steeper edge is chance in how late sentences came."""
NEAR_S: Final = 0.95
"""A sentence this soon after a pulse names that pulse's second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UtcFit:
    """UTC of run time as straight lines between knots."""

    knots_s: NDArray[np.float64]
    """(k,) run time, rising."""
    offsets_ns: NDArray[np.float64]
    """(k,) TAI less run time, less ``base_ns``."""
    base_ns: int
    """TAI at about run time 0: UTC as numbered since 1970 and the leap seconds inserted."""
    fixes_s: NDArray[np.float64]
    """(m,) run times at which the tie was observed, rising."""
    base_u_s: float
    scatter_s: float = 0.0
    """Of the base uncertainty what the observations scatter, without delay or edge."""
    delay_s: float = math.nan
    """Least delay of the sentences after the pulse they name; NaN without pulses."""
    rate: float = 0.0
    """Slope of the offset beyond the ends, s/s."""
    u_rate: float = DRIFT_U
    """Standard uncertainty of that slope."""
    steps: tuple[tuple[float, float], ...] = ()
    """(run time, seconds): from then on the receiver was so many whole seconds off."""
    leaps: tuple[tuple[int, int], ...] = ()
    """(TAI in ns, sign): inserted (+1) or left out (−1) beside those of the table."""

    @property
    def by_pulses(self) -> bool:
        """Whether pulses divide the second."""
        return math.isfinite(self.delay_s)

    def utc_ns(self, t_run_s: ArrayLike) -> NDArray[np.int64]:
        """UTC in nanoseconds since 1970 of (...) run times, leap seconds not counted.

        Within an inserted second 23:59:60 the numbers are those of the second after it.
        """
        t = np.asarray(t_run_s, np.float64)
        flat = np.atleast_1d(t)
        offset = interpolated(flat, self.knots_s, self.offsets_ns, 1e9 * self.rate)
        tai = self.base_ns + np.rint(flat * 1e9 + offset).astype(np.int64)
        utc = utc_of_tai_ns(tai)
        for at, sign in self.leaps:
            utc -= sign * NS * (tai >= at)
        return np.asarray(utc.reshape(t.shape))

    def u_s(self, t_run_s: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty, s: the tie's own, and drift since the nearest observation."""
        t = np.asarray(t_run_s, np.float64)
        last = len(self.fixes_s) - 1
        k = np.searchsorted(self.fixes_s, t)
        before = np.abs(t - self.fixes_s[np.clip(k - 1, 0, last)])
        after = np.abs(self.fixes_s[np.clip(k, 0, last)] - t)
        away = np.minimum(before, after)
        outside = (t < self.fixes_s[0]) | (t > self.fixes_s[last])
        rate = np.where(outside, np.hypot(DRIFT_U, self.u_rate), DRIFT_U)
        return np.asarray(np.hypot(self.base_u_s, away * rate))


def fit_utc(
    t_run_s: NDArray[np.float64],
    utc_ns: NDArray[np.int64],
    *,
    pps_t_s: NDArray[np.float64] | None = None,
    delay_s: float = NMEA_DELAY_S,
    u_delay_s: float = NMEA_DELAY_U_S,
    near_ns: int | None = None,
) -> UtcFit:
    """Tie run time to UTC by time sentences, and by pulses per second where they were wired.

    Parameters
    ----------
    t_run_s : (n,) run time at which each valid sentence was received, never falling.
    utc_ns : (n,) UTC in it, nanoseconds since 1970; the least number of int64 is no time. A
        sentence of the second 23:59:60 carries the number of the second after it.
    pps_t_s : (m,) run times of pulse-per-second edges; each is the start of the UTC second that
        the sentences right after it name. Stray pulses are left out.
    delay_s, u_delay_s
        Least delay of the sentences and its standard uncertainty, where there are no pulses.
    near_ns
        UTC at run time 0 by another witness, if there is one: it says which of a receiver's
        levels to believe, where it jumps by whole seconds.

    Raises
    ------
    ValueError
        Fewer than two sentences at different times, or none that names the second of a pulse.
    """
    t, sent = _valid_sentences(t_run_s, utc_ns)
    t, offset_s, common = _settled(t, sent, near_ns)
    if pps_t_s is not None and len(pps_t_s):
        return _by_pulses(np.asarray(pps_t_s, np.float64), t, offset_s, common)
    edge = lower_edge(t - t[0], -offset_s, steepest=STEEPEST)
    return UtcFit(
        knots_s=edge.x_s + t[0],
        offsets_ns=(delay_s - edge.late_s) * 1e9,
        fixes_s=t,
        base_u_s=float(np.hypot(u_delay_s, edge.u_s)),
        scatter_s=edge.u_s,
        rate=-edge.rate,
        u_rate=edge.u_rate,
        base_ns=common.base_ns,
        steps=common.steps,
        leaps=common.leaps,
    )


def _settled(
    t: NDArray[np.float64], sent: NDArray[np.int64], near_ns: int | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], _Common]:
    """The sentences on the whole second believed, and their offsets without leap seconds."""
    tai = sent + NS * tai_minus_utc_ns(sent)
    middle = len(t) // 2
    base = int(tai[middle]) - round(float(t[middle]) * 1e9)
    # float64 holds a nanosecond over a run's offset from the base.
    offset_s = ((tai - base) - np.rint(t * 1e9).astype(np.int64)).astype(np.float64) / 1e9
    near_s = None
    if near_ns is not None:
        near_tai = near_ns + NS * int(tai_minus_utc_ns(np.array([near_ns]))[0])
        near_s = (near_tai - base) / 1e9
    settled = settle_seconds(t, offset_s, sent, near_s=near_s)
    t, offset_s = t[settled.kept], settled.offset_s[settled.kept]
    if len(t) < 2 or t[-1] <= t[0]:
        msg = "the time sentences agree on nothing: no two lie within a second of each other"
        raise ValueError(msg)
    return t, offset_s, _Common(base, settled.steps, settled.leaps)


def _valid_sentences(
    t_run_s: NDArray[np.float64], utc_ns: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    t = np.asarray(t_run_s, np.float64)
    sent = np.asarray(utc_ns, np.int64)
    if t.shape != sent.shape:
        msg = f"t_run_s has {len(t)} rows, utc_ns {len(sent)}"
        raise ValueError(msg)
    good = np.isfinite(t) & (sent > np.iinfo(np.int64).min)
    t, sent = t[good], sent[good]
    if len(t) < 2 or t[-1] <= t[0] or np.any(np.diff(t) < 0.0):
        msg = (
            "a UTC fit needs at least two valid time sentences at rising run times, got"
            f" {len(t)}"
        )
        raise ValueError(msg)
    return t, sent


class _Common(NamedTuple):
    base_ns: int
    steps: tuple[tuple[float, float], ...]
    leaps: tuple[tuple[int, int], ...]


def _by_pulses(
    pulses: NDArray[np.float64],
    t: NDArray[np.float64],
    offset_s: NDArray[np.float64],
    common: _Common,
) -> UtcFit:
    """Number the pulses by the sentences that follow them, and draw lines through their ties."""
    pulses = _on_seconds(np.unique(pulses[np.isfinite(pulses)]))
    k = np.searchsorted(t, pulses)
    followed = np.zeros(len(pulses), np.bool_)
    inside = k < len(t)
    followed[inside] = t[k[inside]] - pulses[inside] < NEAR_S
    if followed.sum() < 2:
        msg = "no pulse per second is followed by a sentence that names its second"
        raise ValueError(msg)
    k, at = k[followed], pulses[followed]
    part = (common.base_ns % NS) / 1e9
    # A sentence names at most the time it is: the second of the pulse is the first whole one
    # not before what it names, less the time since the pulse. Any delay below a second will do.
    second = np.ceil(offset_s[k] + t[k] + part - (t[k] - at) - 1e-3)
    # Pulses lie whole seconds apart; one number then fits all of them, by the most of votes.
    apart = np.concatenate(([0.0], np.cumsum(np.round(np.diff(pulses)))))
    numbers = second - apart[followed]
    values, votes = np.unique(numbers, return_counts=True)
    number = values[np.argmax(votes)]
    tie = apart + number - part - pulses
    # Of those that say so: a late one that follows another pulse says another number. Little of
    # it is later than usual: the least but for a few strays.
    delay_s = float(np.quantile((t[k] - at)[numbers == number], 0.02))
    return replace(_through_pulses(pulses, tie, common), delay_s=delay_s)


def _on_seconds(pulses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pulses that lie whole seconds from one of the three before or after them."""
    good = np.zeros(len(pulses), np.bool_)
    for lag in (1, 2, 3):
        if lag >= len(pulses):
            break
        apart = pulses[lag:] - pulses[:-lag]
        whole = np.round(apart)
        fits = (whole >= 1.0) & (np.abs(apart - whole) < 1e-3 + 5e-4 * whole)
        good[lag:] |= fits
        good[:-lag] |= fits
    return pulses[good]


def _through_pulses(
    pulses: NDArray[np.float64], tie: NDArray[np.float64], common: _Common
) -> UtcFit:
    """Lines through ties of pulses; strays further off than the rest are left out once."""
    lines = smooth_lines(pulses, tie)
    off = np.abs(tie - lines)
    keep = off <= max(8.0 * float(np.median(off)), 1e-4)
    if keep.sum() >= 2 and not keep.all():
        pulses, tie = pulses[keep], tie[keep]
        lines = smooth_lines(pulses, tie)
    spread = normal_sd(tie - lines)
    rate, u_rate = shrunk_rate(pulses, lines, max(spread, 1e-5))
    return UtcFit(
        knots_s=pulses,
        offsets_ns=lines * 1e9,
        base_ns=common.base_ns,
        fixes_s=pulses,
        base_u_s=float(np.hypot(PPS_U_S, spread)),
        scatter_s=spread,
        rate=rate,
        u_rate=u_rate,
        steps=common.steps,
        leaps=common.leaps,
    )
