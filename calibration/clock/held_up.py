"""Receipts held up for a while: a line that stalls and drains is no oscillator that runs fast.

Latency only adds. Where the least lateness is lower afterwards, by more than an oscillator can have
moved in between, what came before was held up: on the wire, in an adapter, or by a computer that
could not read. Such windows say nothing of the edge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.pace import OSCILLATOR

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["free_windows", "gross_slope"]

LEAST_SHARE: Final = 0.1
"""Of the span that an oscillator's slope must hold for, to be one's."""
HELD_UP_S: Final = 0.1
"""Later than the floor by so much: no change of the road's least latency is so great."""
WANDER: Final = 2e-3
"""An oscillator's rate moves by less than this within a start, s/s (from experience)."""


def gross_slope(x: NDArray[np.float64], low_s: NDArray[np.float64]) -> float:
    """Slope of the longest straight piece of the lower hull of (k,) points, k ≥ 2, s/s.

    Of pieces no steeper than an oscillator can be, if they make up a tenth of the span; else of
    all. Points that are late do not touch the hull, however many they are.
    """
    corners = _hull(x, low_s)
    dx, dy = np.diff(x[corners]), np.diff(low_s[corners])
    dx, dy = dx[dx > 0.0], dy[dx > 0.0]
    if not len(dx):
        return 0.0
    slopes = dy / dx
    can_be = np.abs(slopes) <= OSCILLATOR
    if float(dx[can_be].sum()) >= LEAST_SHARE * float(dx.sum()):
        slopes, dx = slopes[can_be], dx[can_be]
    return float(slopes[np.argmax(dx)])


def _hull(x: NDArray[np.float64], y: NDArray[np.float64]) -> list[int]:
    """Indices of the lower convex hull of points in order of x (Andrew's monotone chain)."""
    corners: list[int] = []
    points = list(zip(x.tolist(), y.tolist(), strict=True))
    for i, (px, py) in enumerate(points):
        while len(corners) > 1:
            ax, ay = points[corners[-2]]
            bx, by = points[corners[-1]]
            if (bx - ax) * (py - ay) > (by - ay) * (px - ax):
                break
            corners.pop()
        corners.append(i)
    return corners


def free_windows(x: NDArray[np.float64], low_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(k,) whether the least value of each window was not held up, the gross slope taken off."""
    tilted = low_s + WANDER * x
    later = np.minimum.accumulate(tilted[::-1])[::-1]
    return np.asarray(tilted <= later + HELD_UP_S)
