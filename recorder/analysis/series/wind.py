"""Wind along the track, from what the crew marked and which way the car was heading.

An explanatory column only: no figure is corrected by it. A weather mark says e.g. ``wind 5 m/s
from 270``; it holds until the next one that speaks of wind.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.marks.mark import Mark

__all__ = ["course_deg", "parse_wind", "wind_along_m_s"]

_FORM: Final = re.compile(
    r"\bwind\s+(?:(calm)|(\d{1,3}(?:[.,]\d+)?)\s*(m/s|km/h|mph|kn|knots)\s+from\s+"
    r"(\d{1,3}|[nesw]{1,3})\b)",
    re.IGNORECASE,
)
_M_S: Final = {
    "m/s": 1.0,
    "km/h": 1.0 / 3.6,
    "mph": 0.44704,
    "kn": 1852.0 / 3600.0,
    "knots": 1852.0 / 3600.0,
}
_POINTS: Final = (
    "n", "nne", "ne", "ene", "e", "ese", "se", "sse",
    "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw",
)  # fmt: skip
_FASTEST_M_S: Final = 60.0
_EARTH_M_PER_DEG: Final = 111_195.0
"""Of a great circle, mean radius 6371 km."""
_BASELINE_M: Final = 30.0


def parse_wind(text: str) -> tuple[float, float] | None:
    """Wind speed in m/s and the bearing it blows *from* in degrees; ``None`` when not told."""
    found = _FORM.search(text)
    if found is None:
        return None
    if found[1]:
        return 0.0, 0.0
    speed = float(found[2].replace(",", ".")) * _M_S[found[3].lower()]
    word = found[4].lower()
    if word.isdigit():
        bearing = float(word)
    elif word in _POINTS:
        bearing = 22.5 * _POINTS.index(word)
    else:
        return None
    return (speed, bearing) if speed <= _FASTEST_M_S and bearing <= 360.0 else None


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
        (m.t_s, wind)
        for m in sorted(marks, key=lambda m: m.t_s)
        if m.kind == "weather" and (wind := parse_wind(m.value)) is not None
    ]
    for i, (start, (speed, bearing)) in enumerate(told):
        end = told[i + 1][0] if i + 1 < len(told) else math.inf
        held = (t_s >= start) & (t_s < end)
        along[held] = speed * np.cos(np.radians(bearing - course[held]))
    return along
