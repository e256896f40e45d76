"""Whole seconds in what a receiver sends: leap seconds, jumps, and which sentences to believe."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.utc.leap_seconds import is_table_leap, tai_minus_utc_ns
from calibration.utc.spans import DAY_NS, NS

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Settled", "settle_seconds"]

HOLD: Final = 4
"""Sentences of another level that make a jump; fewer are strays."""
WINDOW_S: Final = 60.0
LEARNT_S: Final = 60.0
"""A leap-second count learnt late is believed once it has held for so long."""
MOST_LEARNT_S: Final = 20
MOST_STEPS: Final = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Sentences sorted by the whole second they agree on."""

    kept: NDArray[np.bool_]
    """(n,) those that lie on the level believed."""
    offset_s: NDArray[np.float64]
    """(n,) as given, leap seconds met on the way put in."""
    steps: tuple[tuple[float, float], ...]
    """(run time, seconds): from then on the receiver was so many seconds off."""
    leaps: tuple[tuple[int, int], ...]
    """(TAI in ns, +1 or −1) of leap seconds the table does not know."""


def settle_seconds(
    t: NDArray[np.float64],
    offset_s: NDArray[np.float64],
    stated_ns: NDArray[np.int64],
    *,
    near_s: float | None = None,
) -> Settled:
    """Find whole-second jumps of (n,) offsets (TAI sent less run time, s), n ≥ 2.

    A jump by one second at the midnight that ends a month, and stays, is a leap second. Of other
    levels the one most sentences agree on is believed; but after a single jump of at most 20 s
    that has held for a minute, the later one: a leap-second count learnt late. Where another
    witness says about what the offset is, ``near_s``, the level nearest to that is believed.
    """
    offset_s = offset_s.copy()
    level = _levels(t, offset_s)
    # The second 23:59:60 carries the number of the next one, which counts it already.
    sixty = (level == 1.0) & is_table_leap(stated_ns)
    offset_s[sixty] -= 1.0
    level[sixty] = 0.0
    leaps: list[tuple[int, int]] = []
    held = _held(level)
    for i in np.flatnonzero(np.diff(held, prepend=held[0]))[:MOST_STEPS]:
        jump = float(held[i] - held[i - 1])
        if abs(jump) == 1.0 and (midnight := _month_end(int(stated_ns[i]))) is not None:
            sign = -int(jump)
            offset_s[i:] += sign
            level[i:] += sign
            held[i:] += sign
            tai_ns = midnight + NS * int(tai_minus_utc_ns(np.array([midnight]))[0])
            leaps.append((tai_ns + sign * NS, sign))
    if near_s is None:
        believed = _believed(t, held)
    else:
        levels = np.unique(held)
        away_s = [abs(float(np.median(offset_s[held == one])) - near_s) for one in levels]
        believed = float(levels[np.argmin(away_s)])
    away = held - believed
    change = np.flatnonzero(np.diff(away, prepend=0.0))[:MOST_STEPS]
    return Settled(
        kept=level == believed,
        offset_s=offset_s,
        steps=tuple((float(t[i]), float(away[i])) for i in change),
        leaps=tuple(leaps),
    )


def _levels(t: NDArray[np.float64], offset_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Whole seconds of each sentence off the middle one, the computer's drift taken out."""
    near = offset_s - np.median(offset_s)
    flat = near - _slope(t, near) * (t - t[len(t) // 2])
    return np.asarray(np.round(flat - np.median(flat)))


def _slope(t: NDArray[np.float64], offset_s: NDArray[np.float64]) -> float:
    """Drift in s/s by the middle one of steps from one minute's middle to the next.

    A few jumps do not move it. 0 over a few minutes, where drift is nothing beside a second.
    """
    window = ((t - t[0]) / WINDOW_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(window, prepend=-1))
    if len(starts) < 10:
        return 0.0
    stops = np.append(starts[1:], len(t))
    middles = [float(np.median(offset_s[a:b])) for a, b in zip(starts, stops, strict=True)]
    at = t[starts]
    # Over a quarter of the run jitter averages out and most pairs span no jump.
    lag = max(len(at) // 4, 1)
    rates = (np.array(middles[lag:]) - np.array(middles[:-lag])) / (at[lag:] - at[:-lag])
    return float(np.clip(np.median(rates), -5e-4, 5e-4))


def _held(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Levels with stretches of fewer than ``HOLD`` sentences given to what came before."""
    starts = np.flatnonzero(np.diff(level, prepend=np.nan) != 0.0)
    sizes = np.diff(np.append(starts, len(level)))
    values = level[starts]
    long = sizes >= HOLD
    if not long.any():
        return np.zeros(len(level))
    index = np.where(long, np.arange(len(starts)), -1)
    index = np.maximum.accumulate(index)
    index[index < 0] = int(np.flatnonzero(long)[0])
    return np.repeat(values[index], sizes)


def _believed(t: NDArray[np.float64], held: NDArray[np.float64]) -> float:
    change = np.flatnonzero(np.diff(held))
    if len(change) == 1:
        after = int(change[0]) + 1
        jump = abs(float(held[after] - held[after - 1]))
        if jump <= MOST_LEARNT_S and float(t[-1] - t[after]) >= LEARNT_S:
            return float(held[-1])
    values, counts = np.unique(held, return_counts=True)
    return float(values[np.argmax(counts)])


def _month_end(stated_ns: int) -> int | None:
    """Midnight that ends a month, when a sentence within seconds of it showed a jump."""
    midnight = round(stated_ns / DAY_NS) * DAY_NS
    if abs(stated_ns - midnight) > 5 * NS:
        return None
    try:
        first = datetime.fromtimestamp(midnight // NS, tz=UTC).day == 1
    except (OverflowError, ValueError, OSError):
        return None
    return midnight if first else None
