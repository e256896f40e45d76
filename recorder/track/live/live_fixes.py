"""A receiver's fixes as they come: thinned, and believed only as far as they go with the wheel."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.track.placing.anchors import OFF_LINE_M, GnssFixes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.track.live.wheel_log import WheelLog
    from recorder.track.route.route import Route

__all__ = ["LiveFixes"]

_MOST: Final = 40
_EVERY_S: Final = 15.0
_AHEAD_S: Final = 2.0
"""A fix that much newer than the wheel's newest record has a wrong time."""
_APART_M: Final = 40.0
"""Two fixes of a receiver in order agree better with the wheel between them, ..."""
_APART_REL: Final = 0.02
"""... apart from what a wheel may be out by."""
_MAJORITY: Final = 0.5
_NEWEST: Final = 3
"""At least two of so many newest fixes must go with the rest: a receiver that got stuck had been
right for long."""


class LiveFixes:
    """The last fixes of one run on one route."""

    def __init__(self, route: Route, wheel: WheelLog) -> None:
        self._alignment = route.alignment
        self._wheel = wheel
        self._fixes: list[tuple[float, float, float]] = []
        self.astray = False
        """Fixes lie on the line, and most of them go with nothing."""

    def add(self, t_s: float, latitude_deg: float, longitude_deg: float) -> bool:
        """Take a fix, at most one in fifteen seconds; whether it was taken.

        What cannot be a position, or comes from a clock astray, is passed over.
        """
        possible = abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0
        if not (possible and t_s <= self._wheel.newest_s + _AHEAD_S):
            return False
        if self._fixes and t_s - self._fixes[-1][0] < _EVERY_S:
            return False
        self._fixes.append((t_s, latitude_deg, longitude_deg))
        del self._fixes[:-_MOST]
        return True

    def believable(self, way: int | None) -> tuple[GnssFixes | None, float]:
        """The fixes that go with the wheel, and the metres it rolled between them.

        ``way`` is +1 when the wheel counts up along the chainage, −1 down, None when not known.
        None when there are no fixes, or most of them go with nothing.
        """
        self.astray = False
        if not self._fixes or self._alignment is None:
            return None, 0.0
        t, latitude, longitude = np.array(self._fixes).T
        s, away = self._alignment.locate(latitude, longitude)
        d = np.array([self._wheel.distance(at) for at in t.tolist()])
        first_m, last_m = self._alignment.s_m[[0, -1]]
        on_line = (away < OFF_LINE_M) & (s > first_m) & (s < last_m)
        if not on_line.any():
            return None, 0.0
        ways = (1, -1) if way is None else (way,)
        found = (_with_wheel(s[on_line], d[on_line], one) for one in ways)
        good = np.zeros(len(t), np.bool_)
        good[on_line] = max(found, key=np.count_nonzero)
        newest = good[-_NEWEST:]
        enough = good.mean() >= _MAJORITY and newest.sum() >= min(2, len(newest))
        if not enough:
            self.astray = int(on_line.sum()) >= _NEWEST
            return None, 0.0
        held = GnssFixes(
            t_s=t[good], latitude_deg=latitude[good], longitude_deg=longitude[good]
        )
        return held, float(np.ptp(d[good]))

    @property
    def first_s(self) -> float:
        """Run time of the oldest fix held; infinite without any."""
        return self._fixes[0][0] if self._fixes else math.inf


def _with_wheel(
    s_m: NDArray[np.float64], d_m: NDArray[np.float64], way: int
) -> NDArray[np.bool_]:
    """(n,) which fixes lie where most of them put the wheel's beginning."""
    begin = s_m - way * d_m
    apart = np.abs(begin - np.median(begin))
    return np.asarray(apart <= _APART_M + _APART_REL * np.abs(d_m - np.median(d_m)))
