"""From rows to profiles along the line: grade, curvature, and the numbers on the posts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.track.route.profile import Profile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.track.route.features import Curve, Feature
    from recorder.track.route.rows import Problems

__all__ = ["Milepost", "curvature_profile", "grade_profile", "number_profile"]

SLACK_M: Final = 0.05
"""Ends that differ by less than this are the same place."""
STEEP: Final = 0.045
"""Steeper than almost any adhesion line: asked about, but used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Milepost:
    """A post with its number and where it really stands."""

    label: str
    s_m: float
    number: float | None
    row: int = 0


def _stretches(
    rows: list[Feature], s_max: float, problems: Problems
) -> list[tuple[float, float, float]]:
    """Grade rows as (from, to, slope), overlaps cut, gaps left open and told."""
    out: list[tuple[float, float, float]] = []
    for i, f in enumerate(rows):
        following = rows[i + 1] if i + 1 < len(rows) else None
        slope = 0.0 if f.number is None else f.number
        if following is not None and following.s_m - f.s_m < SLACK_M:
            if following.number != f.number:
                problems.error(
                    following.row, f"another grade begins at {f.s_m:.1f} m in row {f.row}"
                )
            continue
        end = f.end_m if f.end_m is not None else (following.s_m if following else s_max)
        if following is not None and end > following.s_m + SLACK_M:
            problems.warn(
                following.row,
                f"grade overlaps row {f.row} by {end - following.s_m:.1f} m;"
                " that one is cut where this one begins",
            )
            end = following.s_m
        if following is not None and following.s_m > end + SLACK_M:
            problems.warn(
                following.row,
                f"no grade from {end:.1f} m to {following.s_m:.1f} m"
                f" ({following.s_m - end:.1f} m): not known there",
            )
        elif following is not None:
            end = following.s_m
        if abs(slope) > STEEP:
            problems.warn(f.row, f"grade of {slope * 100:.2f} % is very steep; is it right?")
        if end > f.s_m:
            out.append((f.s_m, end, slope))
    return out


def _from_elevations(
    rows: list[Feature], steepest: float, problems: Problems
) -> list[tuple[float, float, float]]:
    out: list[tuple[float, float, float]] = []
    for a, b in pairwise(rows):
        rise = (b.number or 0.0) - (a.number or 0.0)
        if b.s_m - a.s_m < SLACK_M:
            if abs(rise) > SLACK_M:
                problems.error(
                    b.row, f"elevation differs by {rise:.2f} m from row {a.row} at one place"
                )
            continue
        slope = rise / (b.s_m - a.s_m)
        if abs(slope) > steepest:
            problems.error(
                b.row,
                f"elevation rises {rise:.1f} m over {b.s_m - a.s_m:.1f} m from row {a.row}:"
                f" {slope * 100:.1f} %, impossible for adhesion",
            )
        out.append((a.s_m, b.s_m, slope))
    return out


def _lay(
    stretches: list[tuple[float, float, float]], under: list[tuple[float, float, float]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Bounds and slopes; `stretches` where they reach, `under` elsewhere, NaN for the rest."""
    every = stretches + under
    if not every:
        return None
    bounds = np.unique(np.array([x for a, b, _ in every for x in (a, b)]))
    # Bounds within a rounding of each other would make stretches of no length.
    bounds = bounds[np.concatenate(([True], np.diff(bounds) > 1e-6))]
    slopes = np.full(bounds.size - 1, np.nan)
    for group in (under, stretches):
        for a, b, slope in group:
            i, j = np.searchsorted(bounds, [a - 1e-6, b - 1e-6])
            slopes[i:j] = slope
    return bounds, slopes


def grade_profile(
    features: list[Feature], s_max: float, steepest: float, problems: Problems
) -> Profile | None:
    """Slope (rise over run, + up with chainage) from grade rows, elevations where there is no
    grade row, and vertical curves; ``None`` when the table has neither.

    A vertical curve is a parabola (grade linear); where the change of grade is not at its
    middle, two parabolas that meet at the change, so that every elevation outside it stays.
    """
    grades = [f for f in features if f.kind == "grade"]
    heights = [f for f in features if f.kind == "elevation"]
    laid = _lay(
        _stretches(grades, s_max, problems), _from_elevations(heights, steepest, problems)
    )
    if laid is None:
        problems.warn(0, "has no grade and no elevation row: grade is not known")
        return None
    bounds, slopes = laid
    left, right = slopes.copy(), slopes.copy()
    taken = -np.inf
    for f in features:
        if f.kind != "vertical_curve":
            continue
        a, b = f.s_m, f.end_m
        if f.end_m is None:
            half = 0.5 * (f.number or 0.0)
            a, b = f.s_m - half, f.s_m + half
        if b is None or b - a < SLACK_M:
            problems.error(
                f.row, "vertical_curve has no length; give its end or a length as value"
            )
        elif a < taken - SLACK_M:
            problems.warn(f.row, "vertical_curve overlaps the one before and is left out")
        else:
            fitted = _bend(bounds, left, right, a, b)
            if isinstance(fitted, str):
                problems.warn(f.row, f"vertical_curve {fitted}; left out")
            else:
                bounds, left, right = fitted
                taken = b
    return Profile(bounds, left, right)


_Bent = tuple["NDArray[Any]", "NDArray[Any]", "NDArray[Any]"]


def _bend(
    bounds: NDArray[Any], left: NDArray[Any], right: NDArray[Any], a: float, b: float
) -> _Bent | str:
    """Bounds and values with a vertical curve from a to b put in, or why that cannot be."""
    inner = np.flatnonzero((bounds > a + 1e-6) & (bounds < b - 1e-6))
    # A bound where the grade does not change (two equal rows) is no change of grade.
    changes = [i for i in inner if 0 < i < bounds.size - 1 and left[i] != right[i - 1]]
    if a < bounds[0] - 1e-6 or b > bounds[-1] + 1e-6:
        return "reaches beyond the known grades"
    if len(changes) != 1:
        return f"from {a:.1f} m to {b:.1f} m holds {len(changes)} changes of grade, not one"
    i = changes[0]
    before, after, meet = right[i - 1], left[i], bounds[i]
    if not np.isfinite(before) or not np.isfinite(after):
        return "lies beside an unknown grade"
    middle = (before * (meet - a) + after * (b - meet)) / (b - a)
    keep_low = bounds[bounds < a - 1e-6]
    keep_high = bounds[bounds > b + 1e-6]
    n_low, n_high = keep_low.size, keep_high.size
    new_bounds = np.concatenate((keep_low, [a, meet, b], keep_high))
    low, high = slice(0, n_low), slice(left.size - n_high, left.size)
    new_left = np.concatenate((left[low], [before, middle], left[high]))
    new_right = np.concatenate((right[low], [middle, after], right[high]))
    # What is left of a stretch up to the curve keeps the grade at the curve's own end.
    return new_bounds, new_left, new_right


def curvature_profile(
    features: list[Feature], s_min: float, s_max: float, problems: Problems
) -> tuple[Profile, tuple[Curve, ...]]:
    """Curvature 1/R with linear spirals (+ right), zero on tangent, and the curves as used."""
    curves = _curves_in_order(features, problems)
    if not curves:
        problems.warn(0, "has no curve row: taken as straight throughout")
    stretches = [stretch for curve in curves for stretch in _stretches_of(curve)]
    ends = [s for begin, end, *_ in stretches for s in (begin, end)]
    bounds = np.unique(np.array([s_min, s_max, *ends]))
    bounds = bounds[np.concatenate(([True], np.diff(bounds) > 1e-7))]
    left, right = np.zeros(bounds.size - 1), np.zeros(bounds.size - 1)
    for begin, end, k_begin, k_end in stretches:
        i = int(np.searchsorted(bounds, 0.5 * (begin + end))) - 1
        left[i], right[i] = k_begin, k_end
    return Profile(bounds, left, right), tuple(curves)


def _curves_in_order(features: list[Feature], problems: Problems) -> list[Curve]:
    """The curves, those that overlap the one before cut short."""
    curves: list[Curve] = []
    for f in features:
        c = f.curve
        if c is None:
            continue
        overlap = curves[-1].end_m - c.s_m if curves else 0.0
        if overlap > SLACK_M:
            if curves[-1].end_m >= c.end_m - SLACK_M:
                problems.error(c.row, f"curve lies inside the curve of row {curves[-1].row}")
                continue
            problems.warn(
                c.row,
                f"curve overlaps row {curves[-1].row} by {overlap:.1f} m; cut short",
            )
        if overlap > 0.0:
            c = replace(
                c, s_m=curves[-1].end_m,
                spiral_in_m=max(0.0, c.spiral_in_m - overlap),
                spiral_out_m=min(c.spiral_out_m, max(0.0, c.end_m - curves[-1].end_m)),
            )  # fmt: skip
        curves.append(c)
    return curves


def _stretches_of(curve: Curve) -> list[tuple[float, float, float, float]]:
    """Spiral in, arc, spiral out: from, to, and the curvature at both; none without length."""
    k = curve.curvature_per_m
    arc = curve.s_m + curve.spiral_in_m
    out = max(curve.end_m - curve.spiral_out_m, arc)
    parts = ((curve.s_m, arc, 0.0, k), (arc, out, k, k), (out, curve.end_m, k, 0.0))
    return [part for part in parts if part[1] - part[0] > 1e-6]


def number_profile(
    posts: list[Milepost],
    equations: list[Feature],
    s_min: float,
    s_max: float,
    problems: Problems,
) -> Profile | None:
    """Number as posted along the line, linear between posts, stepping at equations."""
    numbered = [p for p in posts if p.number is not None]
    if len(numbered) < 2:
        return None
    knots: list[tuple[float, float, float]] = [
        (p.s_m, p.number, p.number) for p in numbered if p.number is not None
    ]
    # The sort is stable: an equation at a post comes after it, and the last at a place holds.
    knots += [(e.s_m, *e.equation) for e in equations if e.equation is not None]
    knots.sort(key=lambda knot: knot[0])
    _check_numbering(numbered, equations, problems)
    s = np.array([k[0] for k in knots])
    apart = np.concatenate((np.diff(s) > 1e-6, [True]))
    s, before, after = s[apart], *(np.array([k[i] for k in knots])[apart] for i in (1, 2))
    if s.size < 2:
        return None
    left, right = after[:-1], before[1:]
    rate = (right - left) / np.diff(s)
    head = [] if s[0] <= s_min else [s_min]
    tail = [] if s[-1] >= s_max else [s_max]
    low = [before[0] - rate[0] * (s[0] - s_min)] if head else []
    high = [after[-1] + rate[-1] * (s_max - s[-1])] if tail else []
    return Profile(
        np.concatenate((head, s, tail)),
        np.concatenate((low, left, [after[-1]] if tail else [])),
        np.concatenate(([before[0]] if head else [], right, high)),
    )


def _check_numbering(
    posts: list[Milepost], equations: list[Feature], problems: Problems
) -> None:
    numbers = np.array([p.number for p in posts], dtype=np.float64)
    s = np.array([p.s_m for p in posts])
    at = np.array([e.s_m for e in equations])
    steps, lengths = np.diff(numbers), np.diff(s)
    crossed = np.searchsorted(at, s[1:], "right") - np.searchsorted(at, s[:-1], "left") > 0
    plain = steps[~crossed & (steps != 0)]
    step = float(np.median(np.abs(plain))) if plain.size else 1.0
    usual = float(np.median(lengths[~crossed & (lengths > 0)])) if plain.size else 0.0
    way = float(np.sign(plain[0])) if plain.size else 1.0
    for i, post in enumerate(posts[1:]):
        before = posts[i]
        if lengths[i] < SLACK_M:
            problems.warn(post.row, f"milepost {post.label} stands where row {before.row} does")
        elif crossed[i]:
            way = float(np.sign(numbers[i + 2] - numbers[i + 1])) if i + 2 < s.size else way
        elif steps[i] == 0:
            problems.warn(post.row, f"milepost {post.label} is there twice (row {before.row})")
        elif np.sign(steps[i]) != way:
            problems.warn(
                post.row,
                f"mileposts run backwards from {before.label} to {post.label}, no equation",
            )
            way = -way
        elif abs(abs(steps[i]) - step) > 0.01 * step:
            problems.warn(
                post.row,
                f"mileposts jump from {before.label} to {post.label}, no equation",
            )
        elif usual and not 0.5 < lengths[i] / usual < 1.5:
            problems.warn(
                post.row,
                f"{lengths[i]:.0f} m from milepost {before.label} to {post.label},"
                f" usual here are {usual:.0f} m; is it right?",
            )
