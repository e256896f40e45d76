"""The half-width that holds a stated share of a sum of independent symmetric errors, exactly.

A sum's distribution has the product of its parts' characteristic functions as its own. Those of
symmetric parts are real, and the share within ± x follows by inversion (J. Gil-Pelaez, "Note on
the inversion theorem", Biometrika 38, 1951)::

    P(|X| <= x) = (2/π) ∫ sin(t x) / t · φ(t) dt,   t from 0 to ∞

It answers what JCGM 101 (propagation of distributions) asks, without drawing numbers. Parts
that stand at an edge (two-point) do not fade out in φ: where they are large against the rest,
their corners are counted one by one and only the rest is inverted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import optimize, special

from calibration.statistics.student_characteristic import student_characteristic

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Part", "Shape", "half_width"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_RADIANS_PER_PANEL: Final = 8.0
"""Twelve points of Gauss and Legendre integrate as many radians to about 1e-11."""
_FADED: Final = 1e-11
_MOST_RADIANS: Final = 2000.0
"""Beyond, corners of two-point parts are counted instead."""
_LONGEST: Final = 3000.0
"""Where rectangles alone fade too slowly the integral ends, in units of 1 over the scale."""
_FAR: Final = 40.0
"""Beyond so many scales the tail of a sum is taken as the sum of its parts' tails."""
_MOST_CORNERS: Final = 16


class Shape(StrEnum):
    """Symmetric distributions about zero."""

    NORMAL = "normal"
    STUDENT = "Student t"
    RECTANGLE = "rectangle"
    TRIANGLE = "triangle"
    TWO_POINT = "two-point"


@dataclass(frozen=True, slots=True)
class Part:
    """One error of a sum."""

    shape: Shape
    width: float
    """Normal: standard deviation. Student t: scale. Rectangle, triangle, two-point: half-width
    (a two-point error is at plus or at minus it, never between)."""
    dof: float = math.inf
    """Of a Student t, above 0."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.width) and self.width >= 0.0 and self.dof > 0.0):
            msg = f"width is {self.width}, dof {self.dof}; allowed: 0 or more, above 0"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class _Sum:
    """Parts by shape, those of no width left out."""

    normal: float
    students: tuple[tuple[float, float], ...]
    rectangles: tuple[float, ...]
    points: tuple[float, ...]

    @property
    def scale(self) -> float:
        """Width of the part that smooths most; 0 when there are two-point parts alone."""
        return max(
            self.normal,
            max((s for s, _ in self.students), default=0.0),
            max(self.rectangles, default=0.0) / math.sqrt(3.0),
        )

    @property
    def reach(self) -> float:
        """Beyond it there are the tails of Student's t alone."""
        bounded = 9.0 * self.normal + sum(self.rectangles)
        return max(bounded, _FAR * self.scale) if self.students else bounded

    def smooth(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """Characteristic function of all but the two-point parts."""
        result = np.exp(-0.5 * (self.normal * t) ** 2)
        for scale, dof in self.students:
            result *= student_characteristic(scale * t, dof)
        for w in self.rectangles:
            result *= np.sinc(w * t / np.pi)
        return result


def _sorted_out(parts: Sequence[Part]) -> _Sum:
    normals, students, rectangles, points = [0.0], [], [], []
    for p in parts:
        if p.width == 0.0:
            continue
        if p.shape is Shape.NORMAL or (p.shape is Shape.STUDENT and math.isinf(p.dof)):
            normals.append(p.width)
        elif p.shape is Shape.STUDENT:
            students.append((p.width, p.dof))
        elif p.shape is Shape.RECTANGLE:
            rectangles.append(p.width)
        elif p.shape is Shape.TRIANGLE:
            rectangles += [p.width / 2.0] * 2
        else:
            points.append(p.width)
    return _Sum(math.hypot(*normals), tuple(students), tuple(rectangles), tuple(points))


def half_width(parts: Sequence[Part], *, level: float = 0.95) -> float:
    """The x with ``P(|sum of parts| <= x) = level``; the smallest that holds it.

    Raises
    ------
    ValueError
        A level outside (0, 1); more than 16 two-point parts that nothing smooths.
    """
    if not 0.0 < level < 1.0:
        msg = f"level is {level}; allowed: between 0 and 1"
        raise ValueError(msg)
    return _half_width(_sorted_out(parts), level)


@lru_cache(maxsize=1024)
def _half_width(whole: _Sum, level: float) -> float:
    """The same sum comes again: a certificate is worked out when issued, and when proven."""
    high = _upper(whole, level)
    if high == 0.0:
        return 0.0
    if whole.scale < 1e-12 * high:
        return _corner_quantile(whole.points, level)
    share = _shares(whole, high)
    return float(
        optimize.brentq(
            lambda x: share(x) - level, 0.0, 1.001 * high, xtol=1e-13 * high, rtol=1e-11
        )
    )


def _upper(whole: _Sum, level: float) -> float:
    """A half-width certainly wide enough: each part's own at a share of the risk."""
    count = len(whole.students) + (whole.normal > 0.0)
    risk = 0.5 * (1.0 - level) / max(count, 1)
    result = -whole.normal * float(special.ndtri(risk))
    result -= sum(s * float(special.stdtrit(dof, risk)) for s, dof in whole.students)
    return result + sum(whole.rectangles) + sum(whole.points)


class _Inverse:
    """P(|X| <= x) of parts whose characteristic function has been laid out on nodes."""

    def __init__(self, t: NDArray[np.float64], weighted: NDArray[np.float64]) -> None:
        self.t, self.weighted = t, weighted

    def __call__(self, x: float) -> float:
        return float(np.sin(self.t * x) @ self.weighted)


class _Corners:
    """The same where two-point parts are large: the mean over their corners."""

    def __init__(self, whole: _Sum, inner: _Inverse) -> None:
        self.whole, self.inner = whole, inner
        self.far = whole.reach
        self.at = _corners(whole.points)

    def __call__(self, x: float) -> float:
        # P(|a + R| <= x) for a and −a together, R symmetric.
        y = np.concatenate((x - self.at, x + self.at))
        near = np.abs(y) <= self.far
        value = np.empty_like(y)
        value[near] = np.sin(np.outer(y[near], self.inner.t)) @ self.inner.weighted
        value[~near] = np.sign(y[~near]) * (1.0 - self.tails(np.abs(y[~near])))
        return float(np.sum(value)) / len(y)

    def tails(self, y: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.zeros_like(y)
        for scale, dof in self.whole.students:
            total += 2.0 * special.stdtr(dof, -y / scale)
        return total


def _shares(whole: _Sum, high: float) -> _Inverse | _Corners:
    end = _end(whole)
    widths = sum(whole.rectangles)
    if end * (high + widths + sum(whole.points)) <= _MOST_RADIANS or not whole.points:
        t, w = _nodes(end, high + widths + sum(whole.points))
        phi = whole.smooth(t)
        for a in whole.points:
            phi *= np.cos(a * t)
        return _Inverse(t, 2.0 / np.pi * w * phi / t)
    t, w = _nodes(end, whole.reach + widths)
    return _Corners(whole, _Inverse(t, 2.0 / np.pi * w * whole.smooth(t) / t))


def _end(whole: _Sum) -> float:
    """Where the characteristic function has faded out: by one part, or all rectangles."""
    ends = [_faded(dof) / scale for scale, dof in whole.students]
    if whole.normal > 0.0:
        ends.append(_faded(math.inf) / whole.normal)
    if whole.rectangles:
        # Their product falls below the bound where Π 1/(w t) does.
        k = len(whole.rectangles)
        mean = math.exp(sum(map(math.log, whole.rectangles)) / k)
        ends.append(min(_FADED ** (-1.0 / k) / mean, _LONGEST / whole.scale))
    return min(ends)


@lru_cache(maxsize=256)
def _faded(dof: float) -> float:
    """Where the characteristic function of a Student t of unit scale has faded out."""
    if math.isinf(dof):
        return math.sqrt(-2.0 * math.log(_FADED))
    z = np.geomspace(1.0, 1e3, 200)
    return float(z[np.flatnonzero(student_characteristic(z, dof) < _FADED)[0]])


def _nodes(end: float, frequency: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points and weights of an integral from 0 to ``end``, finer towards 0."""
    panels = max(4, math.ceil(end * frequency / _RADIANS_PER_PANEL))
    step = end / panels
    # Student's characteristic function has a kink in some derivative at 0.
    edges = np.concatenate(
        ([0.0], step * 0.25 ** np.arange(6, 0, -1), step * np.arange(1, panels + 1))
    )
    half, middle = 0.5 * np.diff(edges), 0.5 * (edges[1:] + edges[:-1])
    t = middle[:, None] + half[:, None] * _NODES
    return t.ravel(), (half[:, None] * _WEIGHTS).ravel()


def _corners(points: Sequence[float]) -> NDArray[np.float64]:
    """(2**(k-1),) sums of ± the half-widths, the first taken with +."""
    if len(points) > _MOST_CORNERS:
        msg = f"{len(points)} two-point errors; at most {_MOST_CORNERS} can be summed"
        raise ValueError(msg)
    first, rest = points[0], points[1:]
    signs = np.array([*itertools.product((1.0, -1.0), repeat=len(rest))], dtype=np.float64)
    return np.asarray(first + signs.reshape(2 ** len(rest), len(rest)) @ np.asarray(rest))


def _corner_quantile(points: Sequence[float], level: float) -> float:
    size = np.sort(np.abs(_corners(points)))
    return float(size[math.ceil(level * len(size) - 1e-12) - 1])
