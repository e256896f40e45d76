"""The route: what the line is like, from one CSV that a crew can make in a spreadsheet.

One row a feature, one header row, in the trade's own terms. ``testcar route check ROUTE.csv``
says what is wrong with it. Commas, semicolons or tabs; decimal points or commas (with
semicolons); a byte-order mark is fine; lines beginning with ``#`` are remarks.

Columns:

``chainage_m``
    Surveyed distance along the line; it always increases, whatever the posts say. Or
    ``chainage_km``, ``chainage_ft``, ``chainage_mi``; one of them. ``12+345.6`` (km + m) and
    ``1234+56.7`` (stations of 100 ft) are understood.
``end_chainage_m``
    Where a thing with length ends (same unit as the chainage).
``kind``, ``value``, ``unit``
    See below; the unit may stand in the value cell too (``40 mph``).
``name``, ``remark``
    Free words.
``direction``
    ``left`` or ``right`` of a curve, facing the way chainage increases.
``definition``
    ``chord`` (as taken when empty) or ``arc``, of a degree of curve.
``degree``, or ``radius_m``, or ``radius_ft``
    How sharp a curve is.
``spiral_in_m``, ``spiral_out_m`` (or ``_ft``)
    Lengths of the spirals at the low-chainage end and at the other, inside the curve's length.
``superelevation_mm`` (or ``_in``)
    Of a curve; looked at for what cannot be, nothing is worked out from it.
``latitude_deg``, ``longitude_deg``
    WGS 84 position of the row's chainage; any row may have them.

Kinds, and their value:

``milepost``
    The number on the post. Posts need not be a mile (or a kilometre) apart.
``equation``
    ``52.40 = 53.00``: up to here the numbering says 52.40, from here on 53.00; also where the
    numbering begins to run the other way.
``grade``
    Per cent, + rising with chainage; or unit ``‰``, ``ft/mi``, or ``1 in 80``, or ``level``.
    To its end chainage, or when empty to the next grade.
``elevation``
    m or ft. Gives the grade where no grade row does.
``vertical_curve``
    From chainage to end chainage, around one change of grade; or at the change, with its
    length as value.
``curve``
    From where the first spiral begins to where the last ends; how sharp in ``degree`` or
    ``radius_m``/``radius_ft`` (or value with unit ``deg``, ``m``, ``ft``).
``speed_limit``
    km/h or mph; to its end chainage, or when empty to the next limit.
``station``, ``signal``, ``tunnel``, ``bridge``, ``crossing``, ``switch``, ``note``
    Its name.
``point``
    Nothing: only its coordinates.

With chainage in feet or miles, an elevation or a speed limit must say its unit.

Example::

    chainage_m,end_chainage_m,kind,value,unit,direction,degree,spiral_in_m,spiral_out_m
    0,,station,Ambleford,,,,,
    120,,milepost,0,,,,,
    0,900,grade,0,,,,,
    900,3400,grade,0.8,%,,,,
    500,980,curve,,,left,2.5,60,60
    1735.5,,milepost,1,,,,,
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.bounded_text import open_regular
from recorder.track.route.alignment import Alignment, alignment_of
from recorder.track.route.features import STEEPEST, Curve, Feature, read_features
from recorder.track.route.profile import Profile
from recorder.track.route.profiles import (
    Milepost,
    curvature_profile,
    grade_profile,
    number_profile,
)
from recorder.track.route.rows import MAX_BYTES, Problems, RouteError, read_table

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import ArrayLike, NDArray


__all__ = ["Curve", "Feature", "Milepost", "Route", "RouteError", "load_route", "parse_route"]

_LONGEST_M: Final = 2.0e7
"""Longer than any railway: half way round the earth."""


@dataclass(frozen=True, kw_only=True)
class Route:
    """A line, read and checked. All chainages in metres; arrays in, arrays out."""

    source: str
    text: str
    """The table as read, so that a result can carry it."""
    all_features: tuple[Feature, ...]
    """Every row, by chainage."""
    mileposts: tuple[Milepost, ...]
    curves: tuple[Curve, ...]
    warnings: tuple[str, ...]
    """One line each, with row: what the route goes on with all the same."""
    grade: Profile | None
    curvature: Profile
    numbers: Profile | None
    s_min: float
    s_max: float
    _limits: Profile | None = field(repr=False)

    @property
    def digest(self) -> str:
        """SHA-256 of the table, hex."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    def grade_at(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """Slope, rise over run, + up the way chainage increases; NaN where not known."""
        if self.grade is None:
            return np.full(np.shape(s_m), np.nan)
        return self.grade.value(s_m)

    def elevation_at(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """Elevation in metres, through every elevation row; without one, height above the
        beginning of the grades. NaN off the known grades and, without elevations, after a gap.
        """
        s = np.asarray(s_m, dtype=np.float64)
        if self.grade is None:
            return np.full(s.shape, np.nan)
        z = self.grade.integral(s)
        heights = [(f.s_m, f.number) for f in self.all_features if f.kind == "elevation"]
        known = np.array(heights, dtype=np.float64).reshape(-1, 2)
        if known.size:
            offset = known[:, 1] - self.grade.integral(known[:, 0])
            z = z + np.interp(s, known[:, 0], offset)
            lost = ~np.isfinite(self.grade.value(s))
        else:
            lost = self.grade.unknown_length(np.full(s.shape, self.grade.s_m[0]), s) > 1e-3
            lost |= s < self.grade.s_m[0]
        return np.where(lost, np.nan, z)

    def curvature_at(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """1/R per metre, + curving right the way chainage increases; NaN off the route."""
        return self.curvature.value(s_m)

    @cached_property
    def curvature_magnitude(self) -> Profile:
        """|1/R| along the line: what curve resistance goes by."""
        return self.curvature.mapped(np.abs(self.curvature.left), np.abs(self.curvature.right))

    def speed_limit_at(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """m/s; NaN where none is stated."""
        if self._limits is None:
            return np.full(np.shape(s_m), np.nan)
        return self._limits.value(s_m)

    def posted_at(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """Number the posts give (47.25: a quarter past post 47); NaN without numbered posts."""
        if self.numbers is None:
            return np.full(np.shape(s_m), np.nan)
        return self.numbers.value(s_m)

    def mileposts_labelled(self, label: str) -> tuple[Milepost, ...]:
        """Every post with that number or label (an equation may give several)."""
        wanted = _label_key(label)
        return tuple(p for p in self.mileposts if _label_key(p.label) == wanted)

    def chainages_posted(self, number: float) -> NDArray[np.float64]:
        """Every chainage where the numbering reads `number`, between posts too; maybe none."""
        p = self.numbers
        if p is None or not np.isfinite(number):
            return np.zeros(0)
        low, high = np.minimum(p.left, p.right), np.maximum(p.left, p.right)
        hit = (low <= number) & (number <= high) & (high > low)
        share = (number - p.left[hit]) / (p.right[hit] - p.left[hit])
        s = np.sort(p.s_m[:-1][hit] + share * np.diff(p.s_m)[hit])
        return np.asarray(s[np.diff(s, prepend=-np.inf) > 1.0])

    def features(
        self, s0_m: float, s1_m: float, kinds: Collection[str] | None = None
    ) -> list[Feature]:
        """Features that lie in, or reach into, the stretch between the two chainages."""
        low, high = min(s0_m, s1_m), max(s0_m, s1_m)
        return [
            f
            for f in self.all_features
            if f.s_m <= high
            and (f.s_m if f.end_m is None else f.end_m) >= low
            and (kinds is None or f.kind in kinds)
        ]

    def next_milepost(self, s_m: float, direction: int = 1) -> Milepost | None:
        """The post met next from `s_m`, going up (+1) or down (−1) the chainage."""
        if direction >= 0:
            return next((p for p in self.mileposts if p.s_m > s_m), None)
        return next((p for p in reversed(self.mileposts) if p.s_m < s_m), None)

    def ahead(
        self,
        s_m: float,
        direction: int = 1,
        within_m: float = 3000.0,
        kinds: Collection[str] | None = None,
    ) -> list[tuple[float, Feature]]:
        """What comes next: (metres to go, feature), nearest first."""
        sign = 1 if direction >= 0 else -1
        met = []
        for f in self.features(s_m, s_m + sign * within_m, kinds):
            end = f.s_m if f.end_m is None else f.end_m
            distance = sign * ((f.s_m if sign > 0 else end) - s_m)
            if 0.0 <= distance <= within_m:
                met.append((distance, f))
        return sorted(met, key=lambda pair: pair[0])

    @cached_property
    def alignment(self) -> Alignment | None:
        """The line on the ground; ``None`` when fewer than two rows have coordinates."""
        return alignment_of(self.all_features, self.curvature)

    def latlon_at(self, s_m: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """WGS 84 latitude and longitude, degrees; NaN without coordinates or beyond them."""
        if self.alignment is None:
            return np.full(np.shape(s_m), np.nan), np.full(np.shape(s_m), np.nan)
        return self.alignment.latlon_at(s_m)


def _label_key(label: str) -> str:
    text = label.strip().lower().removeprefix("mp").strip()
    try:
        return f"{float(text.replace(',', '.')):g}"
    except ValueError:
        return text


def _limits(features: list[Feature], s_max: float) -> Profile | None:
    rows = [f for f in features if f.kind == "speed_limit" and f.number is not None]
    if not rows:
        return None
    bounds: set[float] = set()
    spans: list[tuple[float, float, float]] = []
    for i, f in enumerate(rows):
        following = rows[i + 1].s_m if i + 1 < len(rows) else s_max
        end = f.end_m if f.end_m is not None else max(following, f.s_m)
        if end > f.s_m and f.number is not None:
            spans.append((f.s_m, end, f.number))
            bounds |= {f.s_m, end}
    if not spans:
        return None
    s = np.array(sorted(bounds))
    values = np.full(s.size - 1, np.nan)
    for a, b, number in spans:
        i, j = np.searchsorted(s, [a, b])
        # Where two limits overlap, the lower one holds.
        values[i:j] = np.fmin(values[i:j], number)
    return Profile(s, values, values)


def parse_route(data: bytes | str, *, source: str) -> Route:
    """Read a route from the bytes (or the text) of its table.

    Raises
    ------
    RouteError
        With one line a problem, file and row.
    """
    raw = data.encode() if isinstance(data, str) else data
    problems = Problems(source)
    table = read_table(raw, problems)
    found = read_features(table, problems)
    problems.stop_if_any()
    if not found:
        problems.error(0, "has no row under its header")
        problems.stop_if_any()
    return _route(found, problems, table.text)


def _route(found: list[Feature], problems: Problems, text: str) -> Route:
    ends = [f.s_m for f in found] + [f.end_m for f in found if f.end_m is not None]
    s_min, s_max = min(ends), max(ends)
    if not 0.0 < s_max - s_min < _LONGEST_M:
        problems.error(0, f"runs from {s_min:.1f} m to {s_max:.1f} m: no length of a railway")
        problems.stop_if_any()
    posts = [
        Milepost(label=f.value, s_m=f.s_m, number=f.number, row=f.row)
        for f in found
        if f.kind == "milepost"
    ]
    equations = [f for f in found if f.kind == "equation"]
    grade = grade_profile(found, s_max, STEEPEST, problems)
    curvature, curves = curvature_profile(found, s_min, s_max, problems)
    numbers = number_profile(posts, equations, s_min, s_max, problems)
    if not posts:
        problems.warn(0, "has no milepost row: a run cannot be placed on it by its marks")
    if grade is not None:
        _check_elevations(found, grade, problems)
    problems.stop_if_any()
    return Route(
        source=problems.source,
        text=text,
        all_features=tuple(found),
        mileposts=tuple(posts),
        curves=curves,
        warnings=tuple(problems.warnings),
        grade=grade,
        curvature=curvature,
        numbers=numbers,
        s_min=s_min,
        s_max=s_max,
        _limits=_limits(found, s_max),
    )


def _check_elevations(features: list[Feature], grade: Profile, problems: Problems) -> None:
    heights = [f for f in features if f.kind == "elevation"]
    for a, b in pairwise(heights):
        if float(grade.unknown_length(a.s_m, b.s_m)) > 0.0:
            continue
        by_grade = float(grade.integral(b.s_m) - grade.integral(a.s_m))
        stated = (b.number or 0.0) - (a.number or 0.0)
        if abs(by_grade - stated) > max(2.0, 0.001 * (b.s_m - a.s_m)):
            problems.warn(
                b.row,
                f"elevation climbs {stated:.1f} m from row {a.row}, grades {by_grade:.1f} m",
            )


def load_route(path: str | Path) -> Route:
    """Read a route file.

    Raises
    ------
    RouteError
        With one line a problem, file and row.
    OSError
        The file cannot be read.
    """
    file = Path(path)
    with open_regular(file) as stream:
        # One more than the most: how large it is is told by who counts.
        data = stream.read(MAX_BYTES + 1)
    return parse_route(data, source=str(file))
