"""A device's own clock: a few parts per million off, wandering with temperature; or worse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Oscillator"]

_WANDER_S: Final = 2700.0
"""Period of the wander: sun and cloud on the box."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Oscillator:
    """Simulated seconds to device ticks and back."""

    tick_hz: int
    """Nominal."""
    ppm: float = 0.0
    wander_ppm: float = 0.0
    phase: float = 0.0
    """Of the wander, rad."""
    tick0: int = 0
    """Ticks at simulated time 0."""
    faults: tuple[FeedFault, ...] = ()
    """``clock-rate`` (ppm while it lasts) and ``clock-drift`` (ppm an hour while it lasts; the
    rate stays where it got to); others are not looked at."""

    def _ahead_s(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far the clock has run ahead, s."""
        rate = 2.0 * np.pi / _WANDER_S
        swing = np.cos(self.phase) - np.cos(rate * t_s + self.phase)
        ahead = 1e-6 * (self.ppm * t_s + self.wander_ppm / rate * swing)
        for fault in self.faults:
            held = fault.held_s(t_s)
            if fault.kind is FaultKind.CLOCK_RATE:
                ahead = ahead + 1e-6 * fault.value * held
            elif fault.kind is FaultKind.CLOCK_DRIFT:
                after = np.maximum(t_s - fault.at_s, 0.0) - held
                ahead = ahead + 1e-6 * fault.value / 3600.0 * held * (0.5 * held + after)
        return np.asarray(ahead)

    def ticks(self, t_s: ArrayLike) -> NDArray[np.int64]:
        """(...) whole device ticks at (...) simulated times; not wrapped."""
        t = np.asarray(t_s, dtype=np.float64)
        return self.tick0 + np.floor((t + self._ahead_s(t)) * self.tick_hz).astype(np.int64)

    def time_s(self, ticks: ArrayLike) -> NDArray[np.float64]:
        """(...) simulated time at which the clock reaches (...) ticks."""
        shown = (np.asarray(ticks, dtype=np.int64) - self.tick0) / self.tick_hz
        t = shown
        # Parts per million: three rounds reach below 1 fs. A part in ten: thirty.
        for _ in range(30 if self.faults else 3):
            t = shown - self._ahead_s(t)
        return np.asarray(t)
