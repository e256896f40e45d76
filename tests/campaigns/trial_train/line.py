"""A drawn line: the surveyed slope, the slope as it is, curves, speed limits, posts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.campaigns.trial_train.locomotive import Sureness

__all__ = ["CELL_M", "Line", "draw_line"]

CELL_M = 5.0
"""The line is held in cells of this length."""
STEEPEST = 0.01
POST_M = 1000.0
FIRST_POST = 100


@dataclass(frozen=True)
class Line:
    """All (n,) by cell, from chainage 0."""

    surveyed: NDArray[np.float64]
    slope: NDArray[np.float64]
    """As it is: surveyed, and the survey's error."""
    curvature_per_m: NDArray[np.float64]
    limit_m_s: NDArray[np.float64]

    def under(
        self, grade: NDArray[np.float64], behind_m: float, ahead_m: float
    ) -> NDArray[np.float64]:
        """Mean (n,) of what is given by cell, from behind the coupler to ahead of it."""
        at = np.arange(len(grade) + 1) * CELL_M
        height = np.concatenate(([0.0], np.cumsum(grade))) * CELL_M
        middle = at[:-1] + CELL_M / 2
        front = np.interp(middle + ahead_m, at, height)
        rear = np.interp(middle - behind_m, at, height)
        return np.asarray((front - rear) / (behind_m + ahead_m))

    def csv(self, *, limits: bool) -> str:
        """The surveyed line as a route file; limits only where they are wanted."""
        rows = ["chainage_m,end_chainage_m,kind,value,radius_m,direction"]
        rows += [f"{a:.1f},{b:.1f},grade,{100 * v:.5f},," for a, b, v in _pieces(self.surveyed)]
        rows += [
            f"{a:.1f},{b:.1f},curve,,{1 / v:.3f},left"
            for a, b, v in _pieces(self.curvature_per_m)
            if v > 0.0
        ]
        if limits:
            rows += [
                f"{a:.1f},{b:.1f},speed_limit,{3.6 * v:.1f},,"
                for a, b, v in _pieces(self.limit_m_s)
            ]
        posts = np.arange(POST_M, len(self.slope) * CELL_M, POST_M)
        rows += [f"{s:.1f},,milepost,{FIRST_POST + i}," for i, s in enumerate(posts, 1)]
        return "\n".join(rows) + "\n"


def _pieces(values: NDArray[np.float64]) -> list[tuple[float, float, float]]:
    edges = np.flatnonzero(np.diff(values)) + 1
    starts = np.concatenate(([0], edges))
    stops = np.concatenate((edges, [len(values)]))
    return [
        (float(a) * CELL_M, float(b) * CELL_M, float(values[a]))
        for a, b in zip(starts, stops, strict=True)
    ]


def draw_line(rng: np.random.Generator, *, length_m: float, sure: Sureness) -> Line:
    """A line with slopes within one per cent that change every 0.5 to 3 km."""
    n = int(length_m / CELL_M)

    def bend() -> float:
        return 1.0 / rng.uniform(400.0, 2000.0) if rng.random() < 0.3 else 0.0

    surveyed = _drawn(rng, n, (500.0, 3000.0), lambda: rng.uniform(-STEEPEST, STEEPEST))
    bends = _drawn(rng, n, (200.0, 900.0), bend)
    limits = _drawn(
        rng, n, (5000.0, 16000.0), lambda: float(rng.choice([60, 70, 80, 90])) / 3.6
    )
    pieces = int(length_m / sure.survey_m) + 2
    shift = rng.uniform(0.0, sure.survey_m)
    which = ((np.arange(n) * CELL_M + shift) // sure.survey_m).astype(int)
    wrong = rng.standard_normal(pieces)[which] * sure.grade
    return Line(surveyed, surveyed + wrong, bends, limits)


def _drawn(
    rng: np.random.Generator,
    n: int,
    lengths_m: tuple[float, float],
    value: Callable[[], float],
) -> NDArray[np.float64]:
    out = np.empty(n)
    at = 0
    while at < n:
        cells = max(1, int(rng.uniform(*lengths_m) / CELL_M))
        out[at : at + cells] = value()
        at += cells
    return out
