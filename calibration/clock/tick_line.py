"""The straight line from device ticks to run time: the one place where its formula stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["TickLine"]


@dataclass(frozen=True, slots=True)
class TickLine:
    """Run time of ticks: ``t0_s + (tick − tick0)·s_per_tick``."""

    tick0: int
    t0_s: float
    s_per_tick: float

    def time_s(self, ticks: ArrayLike) -> NDArray[np.float64]:
        """Run time of (n,) unsigned 64-bit ticks, s."""
        steps = (np.asarray(ticks, np.uint64) - np.uint64(self.tick0)).view(np.int64)
        return np.asarray(self.t0_s + steps * self.s_per_tick)
