"""Which straight line through the marks do most of them agree on?

Before anything can be fitted, wrong numbers must not be believed. Every pair of a mark and a
post that carries its number votes for an offset at each possible wheel scale; so does every
GNSS fix. The densest bundles of votes are handed on, best first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["ChainageLine", "agreed_lines"]

_MAX_SCALES: Final = 401
_LEAST_APART: Final = 3.0
"""Lines closer than this many widths, all along the run, are one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainageLine:
    """Nominal chainage of the car: ``start_m + way·scale·distance``."""

    way: int
    """+1 when the wheel counting up moves up the chainage."""
    scale: float
    start_m: float
    votes: float

    def chainage(self, d_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Nominal chainage at wheel distances (n,)."""
        return self.start_m + self.way * self.scale * d_m


def agreed_lines(
    d_m: NDArray[np.float64],
    s_m: NDArray[np.float64],
    weight: NDArray[np.float64],
    *,
    ways: tuple[int, ...],
    scale: tuple[float, float],
    width_m: float,
    count: int = 4,
) -> list[ChainageLine]:
    """The lines that most pairs ``(d, s)`` agree with, most votes first.

    Parameters
    ----------
    d_m, s_m, weight : (n,)
        Wheel distance, chainage, and how much each pair counts.
    ways
        Orientations to try.
    scale
        Expected true scale of the wheel and its standard uncertainty; three of these either
        way are searched.
    width_m
        Pairs within half of this of a line agree with it.
    """
    middle, u = scale
    reach = float(np.ptp(d_m)) if d_m.size else 0.0
    steps = int(np.ceil(6.0 * u * reach / width_m)) + 1
    steps = min(_MAX_SCALES, steps + 1 - steps % 2)
    scales = middle + u * (np.linspace(-3.0, 3.0, steps) if steps > 1 else np.zeros(1))
    found: list[ChainageLine] = []
    for way in ways:
        for k in scales:
            start_m, votes = _densest(s_m - way * k * d_m, weight, width_m)
            # Equal votes go to the scale that the certificate expects.
            votes -= 0.01 * ((float(k) - middle) / u) ** 2
            found.append(ChainageLine(way=way, scale=float(k), start_m=start_m, votes=votes))
    return _distinct(found, d_m, width_m, count)


def _densest(
    values: NDArray[np.float64], weight: NDArray[np.float64], width: float
) -> tuple[float, float]:
    """Middle and weight of the heaviest bundle of values within a width."""
    order = np.argsort(values)
    ordered = values[order]
    total = np.concatenate(([0.0], np.cumsum(weight[order])))
    end = np.searchsorted(ordered, ordered + width, side="right")
    votes = total[end] - total[:-1]
    best = int(np.argmax(votes))
    return float(np.median(ordered[best : end[best]])), float(votes[best])


def _distinct(
    lines: list[ChainageLine], d_m: NDArray[np.float64], width_m: float, count: int
) -> list[ChainageLine]:
    ends = np.array([d_m.min(), d_m.max()]) if d_m.size else np.zeros(2)
    kept: list[ChainageLine] = []
    for line in sorted(lines, key=lambda one: -one.votes):
        here = line.chainage(ends)
        if all(np.abs(here - k.chainage(ends)).max() > _LEAST_APART * width_m for k in kept):
            kept.append(line)
        if len(kept) == count:
            break
    return kept


def unlabelled_lines(
    d_m: NDArray[np.float64],
    posts_m: NDArray[np.float64],
    *,
    ways: tuple[int, ...],
    scale: tuple[float, float],
    start: tuple[float, float, float],
    width_m: float,
    count: int = 3,
) -> list[ChainageLine]:
    """Lines by which most marks are at some post, whatever numbers they carry.

    Parameters
    ----------
    d_m : (n,)
        Wheel distance of each mark from the beginning of the run.
    start
        Chainage of the beginning, its standard uncertainty, and the wheel distance there.
    """
    middle, u = scale
    start_m, u_start, d_first = start
    reach = float(np.ptp(d_m)) if d_m.size else 0.0
    steps = int(np.clip(np.ceil(6.0 * u * reach / width_m) * 2 + 1, 3, _MAX_SCALES))
    scales = middle + u * np.linspace(-3.0, 3.0, steps)
    shifts = np.arange(-3.0 * u_start, 3.0 * u_start + 1.0, 0.25 * width_m)
    found: list[ChainageLine] = []
    if posts_m.size < 2:
        return found
    for way in ways:
        for k in scales:
            at = start_m + shifts[:, None] + way * k * d_m[None, :]
            right = np.clip(np.searchsorted(posts_m, at), 1, posts_m.size - 1)
            gap = np.minimum(np.abs(at - posts_m[right - 1]), np.abs(at - posts_m[right]))
            closeness = np.maximum(0.0, 1.0 - (gap / (0.5 * width_m)) ** 2).sum(axis=1)
            score = closeness - 0.5 * (shifts / u_start) ** 2 - 0.5 * ((k - middle) / u) ** 2
            best = int(np.argmax(score))
            found.append(
                ChainageLine(
                    way=way,
                    scale=float(k),
                    start_m=float(start_m + shifts[best] - way * k * d_first),
                    votes=float(score[best]),
                )
            )
    return _distinct(found, d_m + d_first, 0.3 * width_m, count)
