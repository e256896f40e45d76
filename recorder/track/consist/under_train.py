"""Grade and curve under the whole train: means over its mass, exact.

The mean slope under an evenly spread part is the difference of elevation of its ends over its
length, so no step along the train is needed: profiles are integrated once, and a train of n
parts costs n + 1 look-ups a position.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.track.route.geometry import curve_resistance_N_per_kN

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    from recorder.track.consist.train_shape import Body, TrainShape
    from recorder.track.route.profile import Profile
    from recorder.track.route.route import Route

__all__ = ["RulingGrade", "Under", "UnderTrain", "ruling_grades"]

_BLOCK: Final = 1 << 17


@dataclass(frozen=True, slots=True, kw_only=True)
class Under:
    """Means over the mass, one a position, (n,) each; NaN where the line is not known under
    any of that part of the train, or the trip sheet gives no such part."""

    locomotive_grade: NDArray[np.float64]
    """Slope as a fraction, + when it rises towards the locomotive's end of the train: the
    weight then pulls back, whichever way the train moves."""
    trailing_grade: NDArray[np.float64]
    locomotive_curvature_per_m: NDArray[np.float64]
    """Mean of |1/R|."""
    trailing_curvature_per_m: NDArray[np.float64]


class UnderTrain:
    """What lies under one train on one route.

    Parameters
    ----------
    route, shape
        The line, and the train from its coupler. The placed point of the car (the measuring
        wheel) is taken to be at the coupler.
    """

    def __init__(self, route: Route, shape: TrainShape) -> None:
        self._route = route
        self._shape = shape

    def at(self, s_m: ArrayLike, facing: ArrayLike = 1) -> Under:
        """Means at each chainage of the car.

        Parameters
        ----------
        s_m : (n,) metres
        facing : scalar or (n,)
            +1 where the locomotive's end of the train points up the chainage, −1 down.
        """
        s = np.atleast_1d(np.asarray(s_m, dtype=np.float64))
        way = np.broadcast_to(np.asarray(facing, dtype=np.float64), s.shape)
        front = self._body(self._shape.locomotive, s, way)
        rear = self._body(self._shape.trailing, s, way)
        return Under(
            locomotive_grade=front[0],
            trailing_grade=rear[0],
            locomotive_curvature_per_m=front[1],
            trailing_curvature_per_m=rear[1],
        )

    def _body(
        self, body: Body | None, s: NDArray[np.float64], way: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """(2, n): grade towards the locomotive, |curvature|."""
        out = np.full((2, s.size), np.nan)
        if body is None:
            return out
        grade, bend = self._route.grade, self._route.curvature_magnitude
        for start in range(0, s.size, _BLOCK):
            part = slice(start, start + _BLOCK)
            at, f = s[part], way[part]
            if grade is not None:
                known = _known(grade, body, at, f)
                # Rising towards the front and the way it faces cancel: no sign is left over.
                out[0, part] = np.where(known, _sum(grade.integral, body, at, f), np.nan)
            known = _known(bend, body, at, f)
            turned = np.maximum(f * _sum(bend.integral, body, at, f), 0.0)
            out[1, part] = np.where(known, turned, np.nan)
        return out


def _sum(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    body: Body,
    s: NDArray[np.float64],
    way: NDArray[np.float64],
) -> NDArray[np.float64]:
    total = np.zeros(s.shape)
    # The integrals grow along the line: taken from the car's own place no digit is lost.
    here = function(s)
    for offset, weight in zip(*body.weights(), strict=True):
        total += weight * (function(s + way * offset) - here)
    return total


def _known(
    profile: Profile, body: Body, s: NDArray[np.float64], way: NDArray[np.float64]
) -> NDArray[np.bool_]:
    low, high = body.span_m
    a, b = s + way * low, s + way * high
    return profile.unknown_length(np.minimum(a, b), np.maximum(a, b)) < 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class RulingGrade:
    """The hardest place for a train of one length, on one way over one climb."""

    from_m: float
    to_m: float
    grade: float
    """Mean slope over the train's length, + uphill in the direction of travel."""
    curvature_per_m: float
    """Mean |1/R| over the train's length."""


def ruling_grades(
    route: Route,
    length_m: float,
    *,
    direction: int = 1,
    count: int = 10,
) -> list[RulingGrade]:
    """The hardest climbs for a train of `length_m`, hardest first, at most `count`.

    Two are told apart when the equivalent grade (grade + curve at 698.55/R N/kN) falls to half
    of the lower one between them.

    Raises
    ------
    ValueError
        The length is not above zero.
    """
    if not length_m > 0:
        msg = f"length of the train is {length_m} m, must be above 0"
        raise ValueError(msg)
    if route.grade is None:
        return []
    low = max(route.grade.s_m[0], route.s_min)
    high = min(route.grade.s_m[-1], route.s_max)
    if high - low < length_m:
        return []
    way = 1.0 if direction >= 0 else -1.0
    step = min(50.0, length_m / 10.0)
    a = np.linspace(low, high - length_m, max(2, int((high - low - length_m) / step) + 2))
    slope = way * route.grade.mean(a, a + length_m)
    bend = route.curvature_magnitude.mean(a, a + length_m)
    total = slope + curve_resistance_N_per_kN(bend) / 1000.0
    total = np.where(np.isfinite(total), total, -np.inf)
    return [
        RulingGrade(
            from_m=float(a[i]),
            to_m=float(a[i] + length_m),
            grade=float(slope[i]),
            curvature_per_m=float(bend[i]),
        )
        for i in _summits(total, count)
    ]


def _summits(total: NDArray[np.float64], count: int) -> list[int]:
    """Indices of the highest values of separate climbs, highest first."""
    found: list[int] = []
    free = total > 0
    while len(found) < count and free.any():
        i = int(np.argmax(np.where(free, total, -np.inf)))
        found.append(i)
        # Everything down to where it falls below half belongs to this climb.
        below = total < 0.5 * total[i]
        before, after = np.flatnonzero(below[:i]), np.flatnonzero(below[i:])
        first = int(before[-1]) + 1 if before.size else 0
        last = i + int(after[0]) if after.size else total.size
        free[first:last] = False
    return found
