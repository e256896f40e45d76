"""Wind along the track, from what the crew marked and which way the car was heading.

An explanatory column only: no figure is corrected by it. A weather mark says e.g. ``wind 5 m/s
from 270``; it holds until the next one that speaks of wind.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.marks.grammar import MarkValue
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark
from recorder.marks.values import UnreadMark
from recorder.marks.weather import WeatherMark

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["course_deg", "wind_along_m_s"]

_EARTH_M_PER_DEG: Final = 111_195.0
"""Of a great circle, mean radius 6371 km."""
_BASELINE_M: Final = 30.0


def course_deg(
    latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64], half: int
) -> NDArray[np.float64]:
    """Which way the car moved (n,) degrees from north, over ``half`` bins to either side.

    NaN without a position, or where it moved less than 30 m: fixes scatter by metres.
    """
    n = len(latitude_deg)
    if n < 2 or half < 1:
        return np.full(n, np.nan)
    a, b = np.maximum(np.arange(n) - half, 0), np.minimum(np.arange(n) + half, n - 1)
    north = (latitude_deg[b] - latitude_deg[a]) * _EARTH_M_PER_DEG
    east = (longitude_deg[b] - longitude_deg[a]) * _EARTH_M_PER_DEG
    east = east * np.cos(np.radians(latitude_deg))
    course = np.degrees(np.arctan2(east, north)) % 360.0
    return np.where(np.hypot(north, east) >= _BASELINE_M, course, np.nan)


def wind_along_m_s(
    t_s: NDArray[np.float64], course: NDArray[np.float64] | None, marks: Sequence[Mark]
) -> NDArray[np.float64]:
    """Head wind (+) or tail wind (−) along the track (n,) m/s; NaN where not known."""
    along = np.full(len(t_s), np.nan)
    if course is None:
        return along
    told = [
        (mark.t_s, value)
        for mark in sorted(marks, key=lambda m: m.t_s)
        if mark.kind is Kind.WEATHER and _of_wind(value := mark.meaning)
    ]
    for i, (start, value) in enumerate(told):
        end = told[i + 1][0] if i + 1 < len(told) else math.inf
        held = (t_s >= start) & (t_s < end)
        along[held] = _along(value, course[held])
    return along


def _of_wind(value: MarkValue | UnreadMark) -> bool:
    """A weather mark that does not read may have meant the wind: what was told holds no more."""
    return isinstance(value, UnreadMark) or (
        isinstance(value, WeatherMark) and value.speaks_of_wind
    )


def _along(
    value: MarkValue | UnreadMark, course: NDArray[np.float64]
) -> NDArray[np.float64] | float:
    wind = value.wind if isinstance(value, WeatherMark) else None
    if wind is None:
        return math.nan
    if wind.from_deg is None:
        return 0.0
    return np.asarray(wind.speed_m_s * np.cos(np.radians(wind.from_deg - course)))
