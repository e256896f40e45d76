"""The line on the ground: chainage to latitude and longitude and back.

Between two rows with coordinates the shape comes from the curves of the route: the heading is
the integral of curvature, and the shape so drawn is turned and stretched to join the two
points. Geodesics (WGS 84) by geographiclib.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from geographiclib.geodesic import Geodesic
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray

    from recorder.track.route.features import Feature
    from recorder.track.route.profile import Profile

__all__ = ["Alignment", "alignment_of"]

_STEP_M: Final = 25.0
"""Between points of the drawn line: its chords leave a 150 m curve by half a metre."""
_MAX_POINTS: Final = 400_000


def _ecef(latitude_deg: NDArray[Any], longitude_deg: NDArray[Any]) -> NDArray[np.float64]:
    """(n, 3) metres from the earth's centre, on the ellipsoid."""
    a, f = Geodesic.WGS84.a, Geodesic.WGS84.f
    lat, lon = np.radians(latitude_deg), np.radians(longitude_deg)
    e2 = f * (2.0 - f)
    n = a / np.sqrt(1.0 - e2 * np.sin(lat) ** 2)
    return np.stack(
        (
            n * np.cos(lat) * np.cos(lon),
            n * np.cos(lat) * np.sin(lon),
            n * (1 - e2) * np.sin(lat),
        ),
        axis=-1,
    )


@dataclass(frozen=True)
class Alignment:
    """Points of the drawn line, by chainage."""

    s_m: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    """Unwrapped: continuous across the date line."""

    def __post_init__(self) -> None:
        xyz = _ecef(self.latitude_deg, self.longitude_deg)
        object.__setattr__(self, "_xyz", xyz)
        object.__setattr__(self, "_tree", cKDTree(xyz))

    def latlon_at(self, s_m: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Latitude and longitude in degrees; NaN beyond the first and last coordinates."""
        s = np.asarray(s_m, dtype=np.float64)
        off = (s < self.s_m[0] - 1e-6) | (s > self.s_m[-1] + 1e-6)
        latitude = np.where(off, np.nan, np.interp(s, self.s_m, self.latitude_deg))
        longitude = np.interp(s, self.s_m, self.longitude_deg)
        wrapped = (longitude + 180.0) % 360.0 - 180.0
        return latitude, np.where(off, np.nan, wrapped)

    def locate(
        self, latitude_deg: ArrayLike, longitude_deg: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Chainage of the nearest place of the line, and how far it is, both (n,) metres.

        A position off either end gives the end; positions that are not numbers give NaN.
        """
        lat = np.atleast_1d(np.asarray(latitude_deg, dtype=np.float64))
        lon = np.atleast_1d(np.asarray(longitude_deg, dtype=np.float64))
        good = np.isfinite(lat) & np.isfinite(lon)
        s, away = np.full(lat.shape, np.nan), np.full(lat.shape, np.nan)
        if not good.any():
            return s, away
        # Set beside the fields, since the class is frozen.
        xyz: NDArray[np.float64] = self._xyz  # type: ignore[attr-defined]
        points = _ecef(lat[good], lon[good])
        _, near = self._tree.query(points)  # type: ignore[attr-defined]  # set beside them too
        best_s, best = np.full(near.shape, np.nan), np.full(near.shape, np.inf)
        for first in (near - 1, near):
            i = np.clip(first, 0, self.s_m.size - 2)
            leg = xyz[i + 1] - xyz[i]
            along = np.sum((points - xyz[i]) * leg, axis=1) / np.sum(leg**2, axis=1)
            along = np.clip(along, 0.0, 1.0)
            gap = np.linalg.norm(points - xyz[i] - along[:, None] * leg, axis=1)
            nearer = gap < best
            best = np.where(nearer, gap, best)
            chainage = self.s_m[i] + along * (self.s_m[i + 1] - self.s_m[i])
            best_s = np.where(nearer, chainage, best_s)
        s[good], away[good] = best_s, best
        return s, away


def _shape(curvature: Profile, s: NDArray[np.float64]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Plane shape of the line at chainages `s` from its curvature: x ahead, y to the right."""
    heading = curvature.integral(s) - float(curvature.integral(s[0]))
    step = np.diff(s)
    # The heading at the middle of a step is exact to the third order for a circular arc.
    middle = curvature.integral(0.5 * (s[:-1] + s[1:])) - float(curvature.integral(s[0]))
    weights = (heading[:-1], middle, heading[1:])
    ahead, right = (
        np.concatenate(
            ([0.0], np.cumsum(step * (f(weights[0]) + 4 * f(weights[1]) + f(weights[2])) / 6))
        )
        for f in (np.cos, np.sin)
    )
    return ahead, right


def alignment_of(features: Iterable[Feature], curvature: Profile) -> Alignment | None:
    """Draw the line through the features with coordinates; ``None`` with fewer than two.

    Parameters
    ----------
    features : in any order
    curvature : 1/m, to the right positive, over all of the features
    """
    known: dict[float, tuple[float, float]] = {}
    for f in features:
        if f.latitude_deg is not None and f.longitude_deg is not None:
            known.setdefault(f.s_m, (f.latitude_deg, f.longitude_deg))
    if len(known) < 2:
        return None
    places = sorted(known)
    step = max(_STEP_M, (places[-1] - places[0]) / _MAX_POINTS)
    out: list[tuple[float, float, float]] = []
    for a, b in pairwise(places):
        out.extend(_leg(curvature, a, known[a], b, known[b], step))
    last = known[places[-1]]
    out.append((places[-1], *last))
    table = np.array(out)
    return Alignment(table[:, 0], table[:, 1], np.unwrap(table[:, 2], period=360.0))


def _leg(
    curvature: Profile,
    a: float,
    from_place: tuple[float, float],
    b: float,
    to_place: tuple[float, float],
    step: float,
) -> list[tuple[float, float, float]]:
    """Points from `a` up to, without, `b`."""
    line = Geodesic.WGS84.Inverse(*from_place, *to_place)
    n = max(1, int(np.ceil((b - a) / step)))
    s = np.linspace(a, b, n + 1)
    ahead, right = _shape(curvature, s)
    chord = float(np.hypot(ahead[-1], right[-1]))
    if chord < 1e-3 or line["s12"] < 1e-3:
        return [(a, *from_place)]
    turn = float(np.arctan2(right[-1], ahead[-1]))
    stretch = line["s12"] / chord
    reach = np.hypot(ahead, right) * stretch
    bearing = np.degrees(np.arctan2(right, ahead) - turn) + line["azi1"]
    points = [(a, *from_place)]
    for i in range(1, n):
        place = Geodesic.WGS84.Direct(*from_place, float(bearing[i]), float(reach[i]))
        points.append((float(s[i]), place["lat2"], place["lon2"]))
    return points
