"""The wheel's distance as it comes, thinned, for placing while the run goes on."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from recorder.track.placing.wheel_track import WheelTrack

__all__ = ["WheelLog"]

_STEP_S: Final = 0.5
_MOVING_M: Final = 2.0
"""A movement back by less is rocking, not a change of direction."""


class WheelLog:
    """Every half second of a wheel's distance, and its newest."""

    def __init__(self) -> None:
        self.newest_s = -math.inf
        self.newest_m = math.nan
        self.path_m = 0.0
        """Metres rolled, forward and back."""
        self.direction = 0
        """+1 counting up (or last so), −1 down; 0 before it moved."""
        self._extreme_m = 0.0
        self._t = np.empty(4096)
        self._d = np.empty(4096)
        self._n = 0

    @property
    def empty(self) -> bool:
        """Whether nothing has come."""
        return self._n == 0

    def take(self, t_s: float, d_m: float) -> None:
        """The newest distance; what is older than the newest held is passed over."""
        if t_s < self.newest_s:
            return
        if self.empty:
            self._extreme_m = d_m
        else:
            self.path_m += abs(d_m - self.newest_m)
        self.newest_s, self.newest_m = t_s, d_m
        ahead = d_m - self._extreme_m
        if abs(ahead) > _MOVING_M:
            self.direction = 1 if ahead > 0 else -1
        if abs(ahead) > _MOVING_M or ahead * self.direction > 0:
            self._extreme_m = d_m
        if self._n and t_s - self._t[self._n - 1] < _STEP_S:
            return
        if self._n == self._t.size:
            self._t, self._d = np.resize(self._t, 2 * self._n), np.resize(self._d, 2 * self._n)
        self._t[self._n], self._d[self._n] = t_s, d_m
        self._n += 1

    def distance(self, t_s: float) -> float:
        """Distance at a run time, m."""
        return float(np.interp(t_s, self._t[: self._n], self._d[: self._n]))

    def track_from(self, t_s: float) -> tuple[WheelTrack, bool]:
        """The track from a little before a run time to the newest; whether it is all there is."""
        start = max(0, int(np.searchsorted(self._t[: self._n], t_s)) - 1)
        t, d = self._t[start : self._n], self._d[start : self._n]
        if self.newest_s > t[-1]:
            t, d = np.append(t, self.newest_s), np.append(d, self.newest_m)
        if t.size == 1:
            t, d = np.append(t, t[0] + 1e-3), np.append(d, d[0])
        return WheelTrack(t, d), start == 0
