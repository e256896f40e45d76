"""Steps of the least lateness: the road from the device changed, or its clock jumped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.statistics.median_scatter import normal_sd

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["FloorStep", "find_steps", "levels_of"]

BESIDE: Final = 6
"""Windows on either side that a step is judged by."""
LEAST_BESIDE: Final = 3
ENOUGH_TO_BEND: Final = 8
SIGMAS: Final = 6.0
LEAST_STEP_S: Final = 1e-3
"""Less is within what a least latency is known by anyway."""
LEAST_SCATTER_S: Final = 2e-5
MOST_STEPS: Final = 50


@dataclass(frozen=True, slots=True)
class FloorStep:
    """From ``x_s`` on the least lateness is higher by ``step_s`` (lower when below 0)."""

    x_s: float
    step_s: float


def find_steps(x: NDArray[np.float64], low_s: NDArray[np.float64]) -> tuple[FloorStep, ...]:
    """Steps among (k,) least values of windows, the slope of the whole taken off, in order.

    The greatest first; each is taken off before the next is looked for.
    """
    y = low_s.copy()
    bounds = np.arange(LEAST_BESIDE, len(x) - LEAST_BESIDE + 1)
    jump, strength = _judged(x, y, bounds)
    found: list[FloorStep] = []
    while len(found) < MOST_STEPS and len(bounds) and strength.max() >= SIGMAS:
        best = _greatest(jump, strength)
        k = int(bounds[best])
        step = FloorStep(float(0.5 * (x[k - 1] + x[k])), float(jump[best]))
        found.append(step)
        y[k:] -= step.step_s
        # Only what is judged by windows on both sides of it has changed.
        near = np.abs(bounds - k) <= BESIDE
        jump[near], strength[near] = _judged(x, y, bounds[near])
    return tuple(sorted(found, key=lambda s: s.x_s))


def _greatest(jump: NDArray[np.float64], strength: NDArray[np.float64]) -> int:
    """Of those that stand out the one that jumps furthest: neighbours of a step stand out too."""
    out = strength >= 0.5 * strength.max()
    return int(np.argmax(np.where(out, np.abs(jump), 0.0)))


def _judged(
    x: NDArray[np.float64], y: NDArray[np.float64], bounds: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Change over each bound, and how many standard uncertainties that is; 0 where it is small."""
    pairs = [_jump(x, y, int(k)) for k in bounds]
    jump = np.array([j for j, _ in pairs])
    sure = np.array([u for _, u in pairs])
    return jump, np.where(np.abs(jump) >= LEAST_STEP_S, np.abs(jump) / sure, 0.0)


def _jump(x: NDArray[np.float64], y: NDArray[np.float64], k: int) -> tuple[float, float]:
    """Change between windows k − 1 and k, and its standard uncertainty: the surer of two ways.

    Straight lines by medians do not mind a late window; a parabola by least squares does not mind
    an oscillator that warms up. One slope and one bend for both sides, for they do not step with
    the road.
    """
    a, b = max(k - BESIDE, 0), min(k + BESIDE, len(x))
    at = x[a:b] - 0.5 * (x[k - 1] + x[k])
    ways = [_by_medians(at, y[a:b], k - a)]
    if b - a > ENOUGH_TO_BEND:
        ways.append(_by_parabola(at, y[a:b], k - a))
    return max(ways, key=lambda way: abs(way[0]) / way[1])


def _by_medians(at: NDArray[np.float64], y: NDArray[np.float64], k: int) -> tuple[float, float]:
    before, after = at[:k], at[k:]
    slopes = [(v[2:] - v[:-2]) / (t[2:] - t[:-2]) for t, v in ((before, y[:k]), (after, y[k:]))]
    slope = float(np.median(np.concatenate(slopes)))
    left, right = y[:k] - slope * before, y[k:] - slope * after
    off = np.concatenate([left - np.median(left), right - np.median(right)])
    scatter = max(normal_sd(off), LEAST_SCATTER_S)
    square = ((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum()
    lever = (before.mean() - after.mean()) ** 2 / square
    # A median of few scatters by about √1.6 times a mean (π/2, normal).
    u_s = scatter * float(np.sqrt(1.6 / k + 1.6 / (len(at) - k) + lever))
    return float(np.median(right) - np.median(left)), u_s


def _by_parabola(
    at: NDArray[np.float64], y: NDArray[np.float64], k: int
) -> tuple[float, float]:
    t = at / (at[-1] - at[0])
    design = np.column_stack([np.ones(len(t)), np.arange(len(t)) >= k, t, t**2])
    inverse = np.linalg.pinv(design.T @ design)
    found = inverse @ (design.T @ y)
    scatter = float(np.sqrt(((y - design @ found) ** 2).sum() / (len(t) - 4)))
    return float(found[1]), max(scatter, LEAST_SCATTER_S) * float(np.sqrt(inverse[1, 1]))


def levels_of(x: NDArray[np.float64], steps: tuple[FloorStep, ...]) -> NDArray[np.float64]:
    """How far (n,) places lie above the lowest level of the floor, s."""
    if not steps:
        return np.zeros(len(x))
    heights = np.concatenate([[0.0], np.cumsum([s.step_s for s in steps])])
    heights -= heights.min()
    return np.asarray(heights[np.searchsorted([s.x_s for s in steps], x, side="right")])
