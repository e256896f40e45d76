"""Device ticks to run time, worked out afterwards from all receipt times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.lower_edge import interpolated, lower_edge

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["TickFit", "fit_ticks"]

MOST_POINTS: Final = 200_000
"""Of more blocks, the earliest arrival of every so many is taken: the edge is made of those."""
CHUNK: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class TickFit:
    """Run time of ticks as straight lines between knots."""

    tick0: int
    knots_tick: NDArray[np.float64]
    """(k,) ticks after ``tick0``, rising."""
    knots_s: NDArray[np.float64]
    """(k,) run time, rising."""
    u_s: float
    """Standard uncertainty of a time, constant latency apart (which cannot be seen)."""
    drift_ppm: float
    """Mean rate error of the device's oscillator against the computer's; + runs fast."""
    s_per_tick: float
    """Beyond the ends."""

    def time_s(self, ticks: ArrayLike) -> NDArray[np.float64]:
        """Run time of (n,) unsigned 64-bit ticks, s; never falling with the tick."""
        steps = _steps(np.asarray(ticks, np.uint64), self.tick0)
        return interpolated(steps, self.knots_tick, self.knots_s, self.s_per_tick)


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
        Fewer than two blocks, times that are not finite, ticks that do not rise, or a tick rate
        that is not above zero.
    """
    ticks = np.asarray(ticks, np.uint64)
    received_s = np.asarray(received_s, np.float64)
    if len(ticks) < 2 or len(ticks) != len(received_s):
        msg = (
            "a clock fit wants at least two blocks, each with a tick and a receipt time, got"
            f" {len(ticks)} and {len(received_s)}"
        )
        raise ValueError(msg)
    if not (np.isfinite(tick_hz) and tick_hz > 0.0):
        msg = f"tick_hz must be above zero, got {tick_hz!r}"
        raise ValueError(msg)
    if not np.isfinite(received_s).all() or not (ticks[1:] > ticks[:-1]).all():
        msg = "a clock fit wants finite receipt times and rising ticks"
        raise ValueError(msg)
    chosen = _earliest(ticks, received_s, tick_hz)
    nominal_s = _steps(ticks[chosen], int(ticks[0])) / tick_hz
    edge = lower_edge(nominal_s, received_s[chosen] - nominal_s)
    return TickFit(
        tick0=int(ticks[0]),
        knots_tick=edge.x_s * tick_hz,
        knots_s=edge.x_s + edge.late_s,
        u_s=edge.u_s,
        drift_ppm=-1e6 * edge.rate,
        s_per_tick=(1.0 + edge.rate) / tick_hz,
    )


def _steps(ticks: NDArray[np.uint64], tick0: int) -> NDArray[np.float64]:
    """Ticks after ``tick0``; differences are taken in whole numbers, exact at any tick."""
    return np.asarray((ticks - np.uint64(tick0)).view(np.int64), np.float64)


def _earliest(
    ticks: NDArray[np.uint64], received_s: NDArray[np.float64], tick_hz: float
) -> NDArray[np.int64]:
    """Indices of the blocks to fit: all, or the earliest arrival of every so many.

    The first and the last are always among them. Works chunk by chunk: memory stays flat.
    """
    n = len(ticks)
    if n <= MOST_POINTS:
        return np.arange(n)
    group = -(-n // MOST_POINTS)
    step = CHUNK // group * group
    found = [np.array([0])]
    for start in range(0, n, step):
        stop = min(start + step, n)
        late = received_s[start:stop] - _steps(ticks[start:stop], int(ticks[0])) / tick_hz
        table = np.full(-(-len(late) // group) * group, np.inf)
        table[: len(late)] = late
        rows = table.reshape(-1, group)
        found.append(start + np.arange(len(rows)) * group + np.argmin(rows, axis=1))
    return np.unique(np.concatenate([*found, [n - 1]]))
