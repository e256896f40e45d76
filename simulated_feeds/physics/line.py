"""The line the train runs on: grades, curves, limits, posts, stations, and where it lies.

Written for the simulated world alone. What the crew gets of it is a route table
(:meth:`SimulatedLine.to_csv`), in the columns the recorder documents; how the recorder reads
that table is its own affair, so that a shared mistake cannot cancel out.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from simulated_feeds.physics.profile import LineQuantity

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["CurveSpec", "GradeSpec", "LimitSpec", "PostSpec", "SimulatedLine", "StationSpec"]

_A_M: Final = 6378137.0
_E2: Final = 6.69437999014e-3
"""WGS 84: semi-major axis and first eccentricity squared."""
_COLUMNS: Final = (
    "chainage_m", "end_chainage_m", "kind", "value", "unit", "name", "direction", "radius_m",
    "spiral_in_m", "spiral_out_m", "superelevation_mm", "latitude_deg", "longitude_deg",
)  # fmt: skip
_EDGE_M: Final = 1.0e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeSpec:
    """Slope from a chainage on, with the vertical curve laid around its beginning."""

    s_m: float
    slope: float
    """Rise over run, + rising with chainage."""
    vertical_curve_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveSpec:
    """A curve with equal spirals, from where it begins to where it ends."""

    s_m: float
    end_m: float
    radius_m: float
    hand: int
    """+1 right, −1 left, facing the way chainage rises."""
    spiral_m: float
    superelevation_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSpec:
    """Highest speed between two chainages."""

    s_m: float
    end_m: float
    speed_km_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PostSpec:
    """A milepost."""

    s_m: float
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StationSpec:
    """A place with a name."""

    s_m: float
    name: str


@dataclass(frozen=True, kw_only=True)
class SimulatedLine:
    """A line from 0 to ``length_m``; chainages in metres."""

    name: str
    length_m: float
    grades: tuple[GradeSpec, ...]
    """By chainage, the first at 0."""
    curves: tuple[CurveSpec, ...] = ()
    limits: tuple[LimitSpec, ...] = ()
    posts: tuple[PostSpec, ...] = ()
    stations: tuple[StationSpec, ...] = ()
    elevation_m: float = 40.0
    """At chainage 0."""
    latitude_deg: float = -47.30
    longitude_deg: float = -123.60
    heading_deg: float = 62.0
    """At chainage 0, clockwise from north."""

    @cached_property
    def grade(self) -> LineQuantity:
        """Slope along the line, linear over vertical curves."""
        x, y = [0.0], [self.grades[0].slope]
        for before, after in pairwise(self.grades):
            half = max(0.5 * after.vertical_curve_m, _EDGE_M)
            x += [after.s_m - half, after.s_m + half]
            y += [before.slope, after.slope]
        x.append(max(self.length_m, x[-1] + 1.0))
        y.append(self.grades[-1].slope)
        return LineQuantity(np.array(x), np.array(y))

    @cached_property
    def curvature(self) -> LineQuantity:
        """1/R along the line, + to the right."""
        x, y = [0.0], [0.0]
        for curve in self.curves:
            bend = curve.hand / curve.radius_m
            spiral = max(curve.spiral_m, _EDGE_M)
            x += [curve.s_m, curve.s_m + spiral, curve.end_m - spiral, curve.end_m]
            y += [0.0, bend, bend, 0.0]
        x.append(max(self.length_m, x[-1] + 1.0))
        y.append(0.0)
        return LineQuantity(np.array(x), np.array(y))

    @cached_property
    def bend(self) -> LineQuantity:
        """|1/R| along the line."""
        return LineQuantity(self.curvature.x, np.abs(self.curvature.y))

    def elevation(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """Height above the sea at (...) chainages, m."""
        return self.elevation_m + self.grade.integral(s_m)

    def limit_table(self, step_m: float) -> NDArray[np.float64]:
        """Highest speed, m/s, at 0, step, 2·step …; 25 m/s where none is stated."""
        n = int(np.ceil(self.length_m / step_m)) + 1
        table = np.full(n, 25.0)
        for limit in self.limits:
            i, j = int(limit.s_m / step_m), int(np.ceil(limit.end_m / step_m)) + 1
            table[i:j] = np.minimum(table[i:j], limit.speed_km_h / KM_H_PER_M_S)
        return table

    @cached_property
    def _ground(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Chainage, latitude and longitude every 10 m, from the curvature."""
        s = np.linspace(0.0, self.length_m, max(2, int(np.ceil(self.length_m / 10.0)) + 1))
        heading = np.radians(self.heading_deg) + self.curvature.integral(s)
        middle = 0.5 * (heading[1:] + heading[:-1])
        # The mid-heading chord of an arc is shorter than the arc by this factor.
        turn = np.diff(heading)
        chord = np.diff(s) * np.sinc(turn / (2.0 * np.pi))
        north = np.concatenate(([0.0], np.cumsum(chord * np.cos(middle))))
        latitude = np.radians(self.latitude_deg) + north / _meridian_m(self.latitude_deg)
        for _ in range(3):  # the radius of the meridian changes along the line
            radius = _meridian_m(np.degrees(latitude))
            step = np.diff(north) / (0.5 * (radius[1:] + radius[:-1]))
            latitude = np.radians(self.latitude_deg) + np.concatenate(([0.0], np.cumsum(step)))
        mid = 0.5 * (latitude[1:] + latitude[:-1])
        parallel = _A_M * np.cos(mid) / np.sqrt(1.0 - _E2 * np.sin(mid) ** 2)
        east = np.concatenate(([0.0], np.cumsum(chord * np.sin(middle) / parallel)))
        return s, np.degrees(latitude), self.longitude_deg + np.degrees(east)

    def latlon(self, s_m: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """WGS 84 latitude and longitude in degrees at (...) chainages."""
        s, latitude, longitude = self._ground
        at = np.asarray(s_m, dtype=np.float64)
        return np.interp(at, s, latitude), np.interp(at, s, longitude)

    def heading(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """Degrees clockwise from north at (...) chainages, the way chainage rises."""
        turned = np.degrees(self.curvature.integral(s_m))
        return np.asarray((self.heading_deg + turned) % 360.0)

    def to_csv(self, *, coordinates: bool = True) -> str:
        """The route table of the crew."""
        rows = [*self._grade_rows(), *self._curve_rows(), *self._sight_rows()]
        if coordinates:
            rows += self._point_rows()
        rows.sort(key=lambda row: float(row["chainage_m"]))
        text = io.StringIO()
        text.write(f"# {self.name}: an invented line\n")
        writer = csv.DictWriter(text, _COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return text.getvalue()

    def _grade_rows(self) -> list[dict[str, str]]:
        ends = [*(g.s_m for g in self.grades[1:]), self.length_m]
        rows = []
        for grade, end in zip(self.grades, ends, strict=True):
            row = _row(grade.s_m, "grade", end, value=f"{100.0 * grade.slope:.6g}", unit="%")
            rows.append(row)
            if grade.vertical_curve_m > 0.0:
                half = 0.5 * grade.vertical_curve_m
                rows.append(_row(grade.s_m - half, "vertical_curve", grade.s_m + half))
        rows.append(_row(0.0, "elevation", value=f"{self.elevation_m:.3f}", unit="m"))
        return rows

    def _curve_rows(self) -> list[dict[str, str]]:
        return [
            _row(
                curve.s_m, "curve", curve.end_m,
                direction="right" if curve.hand > 0 else "left",
                radius_m=f"{curve.radius_m:.2f}", spiral_in_m=f"{curve.spiral_m:.2f}",
                spiral_out_m=f"{curve.spiral_m:.2f}",
                superelevation_mm=f"{curve.superelevation_mm:.0f}",
            )
            for curve in self.curves
        ]  # fmt: skip

    def _sight_rows(self) -> list[dict[str, str]]:
        rows = [_row(p.s_m, "milepost", value=str(p.number)) for p in self.posts]
        rows += [_row(p.s_m, "station", name=p.name) for p in self.stations]
        rows += [
            _row(p.s_m, "speed_limit", p.end_m, value=f"{p.speed_km_h:g}", unit="km/h")
            for p in self.limits
        ]
        return rows

    def _point_rows(self) -> list[dict[str, str]]:
        s = np.arange(0.0, self.length_m, 50.0)
        keep = (self.bend.mean(s, s + 50.0) > 0.0) | (np.arange(s.size) % 4 == 0)
        at = np.append(s[keep], self.length_m)
        latitude, longitude = self.latlon(at)
        return [
            _row(a, "point", latitude_deg=f"{b:.8f}", longitude_deg=f"{c:.8f}")
            for a, b, c in zip(at.tolist(), latitude.tolist(), longitude.tolist(), strict=True)
        ]


def _row(s_m: float, kind: str, end_m: float | None = None, **cells: str) -> dict[str, str]:
    ends = {} if end_m is None else {"end_chainage_m": f"{end_m:.3f}"}
    return {"chainage_m": f"{s_m:.3f}", **ends, "kind": kind, **cells}


def _meridian_m(latitude_deg: ArrayLike) -> NDArray[np.float64]:
    """Radius of the meridian, m."""
    s2 = np.sin(np.radians(latitude_deg)) ** 2
    return np.asarray(_A_M * (1.0 - _E2) / (1.0 - _E2 * s2) ** 1.5)
