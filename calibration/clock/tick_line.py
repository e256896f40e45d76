"""The straight line from device ticks to run time: the one place where its formula stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["TickLine", "time_along"]


def time_along(
    ticks: ArrayLike,
    tick0: int | NDArray[np.uint64],
    t0_s: float | NDArray[np.float64],
    s_per_tick: float | NDArray[np.float64],
) -> NDArray[np.float64]:
    """Run time in s of (n,) unsigned 64-bit ticks: ``t0_s + (tick − tick0)·s_per_tick``.

    ``tick0``, ``t0_s`` and ``s_per_tick`` are one line, or (n,) each: a line for every tick.
    Differences are taken in whole numbers, so they are exact at any tick and over the wrap at
    2**64, and a tick before ``tick0`` is as good as one after it.
    """
    origin = np.uint64(tick0 % 2**64) if isinstance(tick0, int) else tick0
    steps = (np.asarray(ticks, np.uint64) - origin).view(np.int64)
    return np.asarray(t0_s + steps * s_per_tick)


@dataclass(frozen=True, slots=True)
class TickLine:
    """A straight line from device ticks to run time."""

    tick0: int
    t0_s: float
    """Run time at ``tick0``, s."""
    s_per_tick: float

    def time_s(self, ticks: ArrayLike) -> NDArray[np.float64]:
        """Run time of (n,) unsigned 64-bit ticks, s; see :func:`time_along`."""
        return time_along(ticks, self.tick0, self.t0_s, self.s_per_tick)
