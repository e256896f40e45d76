"""Single values that do not follow a linear model the others agree on.

A forward search (Atkinson and Riani, Robust Diagnostic Regression Analysis, 2000, from memory):
the model is fitted to the values that agree best, and the others are let in, the nearest first,
for as long as each is as near as normal scatter brings it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Strays", "find_strays"]

FALSE_ALARM: Final = 0.0005
"""Chance that honest normal scatter gives one stray anywhere in a table (from experience: well
below what a person would tire of)."""
LEAST_DEVIATIONS: Final = 6.0
"""No value nearer than so many standard deviations is a stray: real scatter has wider tails than
a normal one (from experience)."""
LARGEST_SHARE: Final = 0.3
"""Of the values beyond the terms of the model that may be strays: with more, it is no longer told
which they are."""
MOST: Final = 50
"""So many are named at the most."""
_ROUNDS: Final = 30


@dataclass(frozen=True, slots=True)
class Strays:
    """Each of n values against the model of the others."""

    stray: NDArray[np.bool_]
    """(n,)"""
    expected: NDArray[np.float64]
    """(n,) by the model fitted without the value itself and without the strays."""


def find_strays(
    design: NDArray[np.float64], values: NDArray[np.float64], size: NDArray[np.float64], *,
    least: NDArray[np.float64], step: float,
) -> Strays:  # fmt: skip
    """The strays among values, each against the model of the rest.

    A stray stands out both as it is and in proportion to ``size``: scatter may be either.

    Parameters
    ----------
    design : (n, p), full rank not needed
    values : (n,)
    size : (n,) positive, what the scatter may be in proportion to
    least : (n,) smaller distances do not matter
    step : smallest step the values show; their scatter is not told below it
    """
    n = len(values)
    rank = int(np.linalg.matrix_rank(design))
    free = n - rank
    most = min(max(int(LARGEST_SHARE * free), min(1, free - 2)), MOST)
    keep = _agreeing(design, values, n - most) if most > 0 else np.ones(n, dtype=np.bool_)
    while not np.all(keep):
        away, left, free = _distances(design, values, size, keep, step)
        quantile = float(special.stdtrit(max(free, 1), 1.0 - 0.5 * FALSE_ALARM / n))
        away[np.abs(left) < least] = 0.0
        limit = max(quantile, LEAST_DEVIATIONS)
        nearest = int(np.argmin(np.where(keep, np.inf, away)))
        if away[nearest] > limit:
            break
        keep |= away <= 0.5 * limit  # plainly near: let in together
        keep[nearest] = True
    return Strays(~keep, values - _left_out(design, values, keep)[0])


def _agreeing(
    design: NDArray[np.float64], values: NDArray[np.float64], m: int
) -> NDArray[np.bool_]:
    """(n,) the m values that agree best: from least absolute residuals, then settled."""
    weight = np.ones(len(values))
    left = values
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        solution = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
        left = np.abs(values - design @ solution)
        weight = 1.0 / np.maximum(left, 1e-6 * float(np.max(left)) + 1e-300)
    keep = _smallest(left, m)
    for _ in range(_ROUNDS):
        solution = np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
        again = _smallest(np.abs(values - design @ solution), m)
        if np.array_equal(again, keep):
            break
        keep = again
    return keep


def _smallest(left: NDArray[np.float64], m: int) -> NDArray[np.bool_]:
    keep = np.zeros(len(left), dtype=np.bool_)
    keep[np.argsort(left, kind="stable")[:m]] = True
    return keep


def _left_out(
    design: NDArray[np.float64], values: NDArray[np.float64], keep: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """(n,) values less the model without them; (n,) variance of that, in variances; rank."""
    scale = np.sqrt(np.mean(np.square(design), axis=0))
    scaled = design / np.where(scale > 0.0, scale, 1.0)
    u, singular, vt = np.linalg.svd(scaled[keep], full_matrices=False)
    rank = int(np.count_nonzero(singular > 1e-10 * singular[0]))
    u, singular, vt = u[:, :rank], singular[:rank], vt[:rank]
    left = values - scaled @ (vt.T @ ((u.T @ values[keep]) / singular))
    along = scaled @ vt.T
    leverage = np.sum(np.square(along / singular), axis=1)
    variance = 1.0 + leverage
    # What the kept values say nothing of is let in before it is judged.
    outside = np.sum(np.square(scaled), axis=1) - np.sum(np.square(along), axis=1)
    left[~keep & (outside > 1e-9)] = 0.0
    own = np.minimum(leverage[keep], 1.0 - 1e-9)
    # A value that alone holds up a part of the model has nothing to be judged by.
    left[keep] = np.where(own > 1.0 - 1e-6, 0.0, left[keep] / (1.0 - own))
    variance[keep] = 1.0 / (1.0 - own)
    return left, variance, rank


def _distances(
    design: NDArray[np.float64], values: NDArray[np.float64], size: NDArray[np.float64],
    keep: NDArray[np.bool_], step: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:  # fmt: skip
    """(n,) distances in standard deviations by the kinder scale, (n,) as they are, freedom."""
    left, variance, rank = _left_out(design, values, keep)
    n, m = len(values), int(np.count_nonzero(keep))
    free = m - rank
    plain = left[keep] / variance[keep]
    found = []
    for unit in (np.ones(n), size / float(np.mean(size[keep]))):
        square = float(np.sum(np.square(plain / unit[keep]))) / max(free, 1)
        sd = max(math.sqrt(square / _kept_variance(m / n)), step)
        found.append(np.abs(left) / (unit * sd * np.sqrt(variance)))
    return np.minimum(*found), left, free


def _kept_variance(share: float) -> float:
    """Variance of the innermost ``share`` of a standard normal distribution."""
    if share >= 1.0:
        return 1.0
    z = float(special.ndtri(0.5 + 0.5 * share))
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return 1.0 - 2.0 * z * density / share
