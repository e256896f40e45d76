"""The channels' health on the grid: bins that stand at one value though they cannot, in runs sealed
before that was watched; and what the route settles between wheel and receiver.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.run.checks.channel_health import HealthFault
from recorder.run.checks.channel_seconds import ChannelSeconds, means
from recorder.run.checks.doubles import RECEIVER_M_S, RECEIVER_SHARE
from recorder.run.checks.motion import Movement
from recorder.run.checks.watches import STUCK_SAMPLES, Ended, Source, StuckWatch

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.run.checks.channel_health import Episode

__all__ = ["settled_by_route", "standing_bins"]

DECIMALS: Final = 9
"""Means of equal samples differ by the rounding of their sums alone."""
LEAST_BINS: Final = min(STUCK_SAMPLES, 20)
"""Equal ones in a row, without which the rule need not be asked."""


def standing_bins(
    t_s: NDArray[np.float64],
    values: NDArray[np.float64],
    other: NDArray[np.float64],
    moving: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """(n,) bins of ``values`` that stand while the train moves and ``other`` changes.

    Parameters
    ----------
    t_s, values : (n,) bin centres, and what is doubted; NaN where it is not known.
    other : (n,) the quantity that shows that the train did not run evenly; NaN: not known.
    moving : (n,)
    """
    out = np.zeros(len(values), bool)
    known = np.flatnonzero(np.isfinite(values))
    held = np.round(values[known], DECIMALS)
    if not _long_runs(held):
        return out
    heard = Ended()
    seconds = ChannelSeconds(spikes=False)
    watch = StuckWatch(Source(device="", channels=("",)), heard)
    rows = [*seconds.feed(t_s[known], held), *seconds.finish()]
    speeds = _speeds(np.array([row.first_record for row in rows]), other[known], moving[known])
    for row, speed in zip(rows, speeds.tolist(), strict=True):
        movement = Movement.UNKNOWN if math.isnan(speed) else Movement.MOVING
        watch.second(row, movement, speed)
    watch.finish()
    for episode in heard.episodes:
        out[known[episode.first_record : episode.stop_record]] = True
    return out


def _speeds(
    starts: NDArray[np.int64], other: NDArray[np.float64], moving: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """(n,) mean of what is known of ``other`` in each second, taken as positive, by where it
    begins; NaN where the train did not move all the while, or nothing is known.
    """
    heard = np.isfinite(other)
    before = np.concatenate(([0], np.cumsum(heard)))
    stops = np.append(starts[1:], len(other))
    mean = means(np.abs(other[heard]), before[starts], before[stops])
    return np.where(np.logical_and.reduceat(moving, starts), mean, np.nan)


def _long_runs(values: NDArray[np.float64]) -> bool:
    changed = np.flatnonzero(np.diff(values, prepend=np.nan, append=np.nan) != 0.0)
    return bool((np.diff(changed) >= LEAST_BINS).any())


def settled_by_route(series: Series, episodes: Iterable[Episode]) -> Series:
    """The series whose wheel the route has corrected, without the ``UNSOUND`` of stretches in
    which the wheel was contradicted by the receiver and, corrected, is so no more: the posts have
    told which of the two was wrong.
    """
    gnss, flags = series.gnss_speed_m_s, series.flags.copy()
    if gnss is None:
        return series
    stuck = np.zeros(len(series), bool)
    settled = np.zeros(len(series), bool)
    for episode in episodes:
        half = series.step_s / 2.0
        inside = (series.t_s >= episode.t_start_s - half) & (
            series.t_s <= episode.t_stop_s + half
        )
        if episode.fault is HealthFault.STUCK:
            stuck |= inside
        elif episode.fault is HealthFault.DISAGREES:
            both = inside & np.isfinite(series.speed_m_s) & np.isfinite(gnss)
            if not both.any():
                continue
            says = float(np.mean(gnss[both]))
            away = float(np.mean(np.abs(series.speed_m_s[both]))) - says
            if abs(away) <= RECEIVER_M_S + RECEIVER_SHARE * says:
                settled |= inside
    flags[settled & ~stuck] &= ~np.uint8(flag_bits.UNSOUND)
    return replace(series, flags=flags)
