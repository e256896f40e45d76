"""Generalised least squares that an outlier does not move, and a posterior bounded by zero.

Errors that observations share (a survey's, a mass's, a slow wander's) are in the covariance by
which they are weighted: neighbours that share one tell little more than one of them, and only
what is an observation's own can make it an outlier.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import linalg, special

from calibration.statistics.median_scatter import normal_sd

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Regression", "bounded", "robust_fit"]

CHAINS: Final = 500
SWEEPS: Final = 60
SETTLING: Final = 15
"""Sweeps before the first that counts; then there are twenty thousand draws: means to a
hundredth of a standard deviation."""
MOST_ROUNDS: Final = 30
"""The fit converges in a dozen; a tie of two residuals may swing for ever."""
HUBER: Final = 1.345
"""Tuning constant for 95 % efficiency under normal errors (P. J. Huber, Robust Statistics)."""
SETTLED: Final = 1e-3
"""Of a standard uncertainty: smaller changes of a term matter to nobody."""
LEAST_OWN: Final = 1e-3
"""Of what is shared: with nothing of their own the observations have no inverse covariance."""
LEAST_WEIGHT: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Regression:
    """p terms of n observations."""

    beta: NDArray[np.float64]
    """(p,)"""
    hat: NDArray[np.float64]
    """(p, n): the linear map from the observations, weights held."""
    weights: NDArray[np.float64]
    """(n,) what was left of each observation's own weight: one but for outliers."""
    scatter: float
    """Variance of the residuals over what was expected of them; never below one: a scatter below
    what was assumed of grade and acceleration is luck, and makes nothing surer."""
    residual_sd: float


def robust_fit(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    own: NDArray[np.float64],
    shared: NDArray[np.float64],
) -> Regression:
    """Weighted least squares with Huber's weights on what is each observation's own.

    Parameters
    ----------
    x : (n, p) terms; y : (n,) observations
    own : (n,) standard uncertainties that an observation shares with no other
    shared : (n, n) covariance of what they share
    """
    # Columns scaled to one: squares of speeds would spoil the condition of the matrix.
    scale = np.maximum(np.abs(x).max(axis=0), 1e-300)
    terms = x / scale
    common = math.sqrt(float(np.median(np.diag(shared))))
    floor = max(0.1 * float(np.median(own)), LEAST_OWN * common, 1e-9)
    square = np.maximum(own, floor) ** 2
    weights, beta = np.ones(len(y)), np.zeros(x.shape[1])
    for _ in range(MOST_ROUNDS):
        inverse, hat, u = _solved(terms, square / weights, shared)
        new, z = hat @ y, _standardised(terms, y, inverse, hat)
        sigma = max(normal_sd(z), 1e-12)
        over = HUBER * sigma * np.sqrt(weights) / np.maximum(np.abs(z), 1e-300)
        done = bool((np.abs(new - beta) <= SETTLED * u).all())
        beta = new
        if done:
            break
        weights = np.clip(over, LEAST_WEIGHT, 1.0)
    rest = y - terms @ beta
    freedom = max(len(y) - x.shape[1], 1)
    held = rest * np.sqrt(weights)
    scatter = float(held @ inverse @ held) / freedom
    return Regression(
        beta=beta / scale,
        hat=hat / scale[:, None],
        weights=weights,
        scatter=max(scatter * _pulled_in(weights), 1.0),
        residual_sd=math.sqrt(float(rest @ rest) / freedom),
    )


def _solved(
    terms: NDArray[np.float64], own: NDArray[np.float64], shared: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Inverse (n, n) of the covariance, the map (p, n) from observations to terms, and their
    standard uncertainties (p,).
    """
    factor = linalg.cholesky(shared + np.diag(own), lower=True)
    half, _ = linalg.lapack.dpotri(factor, lower=1)
    inverse = half + np.tril(half, -1).T
    left = terms.T @ inverse
    covariance = np.linalg.inv(left @ terms)
    return inverse, np.asarray(covariance @ left), np.sqrt(np.diag(covariance))


def _standardised(
    terms: NDArray[np.float64],
    y: NDArray[np.float64],
    inverse: NDArray[np.float64],
    hat: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Each residual (n,) given all the others, over its standard deviation."""
    given = inverse @ (y - terms @ (hat @ y))
    spread = np.diag(inverse) - np.einsum("ij,jk,ki->i", inverse, terms, hat, optimize=True)
    return np.asarray(given / np.sqrt(np.maximum(spread, 1e-12 * np.diag(inverse))))


def _pulled_in(weights: NDArray[np.float64]) -> float:
    """Huber's correction for the share of residuals that were pulled in (Huber 1981, 7.6)."""
    share = max(float(np.mean(weights >= 1.0)), 0.5)
    return 1.0 / share**2


def bounded(
    beta: NDArray[np.float64], covariance: NDArray[np.float64], *, seed: int = 1
) -> NDArray[np.float64]:
    """Mean (p,) of a normal posterior that no term below zero is allowed in.

    By Gibbs sampling of the truncated normal distribution (J. Geweke, 1991, from memory), in
    units of the unbounded standard deviations; the seed is fixed, so that a report repeats.
    """
    sd = np.sqrt(np.diag(covariance))
    scale = np.where(sd > 0.0, sd, 1.0)
    unit = covariance / np.outer(scale, scale) + 1e-9 * np.eye(len(beta))
    precision = np.linalg.inv(unit)
    middle = beta / scale
    rng = np.random.default_rng(seed)
    x = np.tile(np.maximum(middle, 0.1), (CHAINS, 1))
    total = np.zeros(len(beta))
    for sweep in range(SWEEPS):
        for i in range(len(beta)):
            rest = (x - middle) @ precision[i] - (x[:, i] - middle[i]) * precision[i, i]
            mean = middle[i] - rest / precision[i, i]
            width = 1.0 / math.sqrt(precision[i, i])
            low = special.ndtr(-mean / width)
            drawn = low + (1.0 - low) * rng.uniform(1e-12, 1.0 - 1e-12, CHAINS)
            x[:, i] = np.maximum(
                mean + width * special.ndtri(np.minimum(drawn, 1.0 - 1e-15)), 0.0
            )
        if sweep >= SETTLING:
            total += x.mean(axis=0)
    return np.asarray(total / (SWEEPS - SETTLING) * scale)
