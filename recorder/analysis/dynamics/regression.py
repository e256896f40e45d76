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
from scipy import linalg, optimize, special

from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.series.filters import effective_count

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Misfit", "Regression", "below_bound", "bounded", "misfit", "robust_fit"]

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
ALIKE: Final = 3.0
"""Standard deviations of a correlation of noise, one over the root of its number: neighbours that
are alike beyond it are so by chance once in a thousand times."""


@dataclass(frozen=True, slots=True)
class Regression:
    """p terms of n observations."""

    beta: NDArray[np.float64]
    """(p,)"""
    hat: NDArray[np.float64]
    """(p, n): the linear map from the observations, weights held."""
    weights: NDArray[np.float64]
    """(n,) what was left of each observation's own weight: one but for outliers."""
    own: NDArray[np.float64]
    """(n,) variances of what an observation shares with no other, as they were weighted: not below
    a floor, so that the residuals make of it what they show where nothing of it is known."""
    covariance: NDArray[np.float64]
    """(n, n) by which they were weighted; what is an outlier's own is as large as its weight
    makes it."""
    inverse: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Misfit:
    """By how much observations miss a line."""

    scatter: float
    """Variance of the residuals over what was expected of them; never below one: a scatter below
    what was assumed of grade and acceleration is luck, and makes nothing surer."""
    residual_sd: float
    bent: float
    """Standard deviation of what neighbours have in common and nothing known explains: the line
    is of another shape than theirs; zero where chance may have made it."""
    bent_dof: float


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
    return Regression(
        beta=beta / scale,
        hat=hat / scale[:, None],
        weights=weights,
        own=square,
        covariance=shared + np.diag(square / weights),
        inverse=inverse,
    )


def misfit(
    fit: Regression,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    beta: NDArray[np.float64],
    along: NDArray[np.float64],
) -> Misfit:
    """How the observations miss the line of some terms, which need not be those fitted.

    Parameters
    ----------
    x : (n, p) terms; y : (n,) observations
    beta : (p,) the line
    along : (n,) by which observations are neighbours
    """
    rest = y - x @ beta
    freedom = max(len(y) - x.shape[1], 1)
    held = rest * np.sqrt(fit.weights)
    scatter = float(held @ fit.inverse @ held) / freedom
    order = np.argsort(along, kind="stable")
    left = np.eye(len(y)) - x @ fit.hat
    bent, count = _bent(
        rest[order],
        fit.covariance[np.ix_(order, order)],
        (left @ fit.covariance @ left.T)[np.ix_(order, order)],
    )
    return Misfit(
        scatter=max(scatter * _pulled_in(fit.weights), 1.0),
        residual_sd=math.sqrt(float(rest @ rest) / freedom),
        bent=bent,
        bent_dof=max(count - x.shape[1], 1.0),
    )


def _bent(
    rest: NDArray[np.float64],
    covariance: NDArray[np.float64],
    expected: NDArray[np.float64],
) -> tuple[float, float]:
    """What residuals (n,), in their order, have in common with the next beyond what they are
    expected to, as a standard deviation, and how many of them are independent.

    ``covariance`` (n, n) is that of the observations, ``expected`` (n, n) what a fit leaves of it.
    """
    white = linalg.solve_triangular(linalg.cholesky(covariance, lower=True), rest, lower=True)
    alike = float(white[:-1] @ white[1:]) / max(float(white @ white), 1e-300)
    count = effective_count(white)
    if alike <= ALIKE / math.sqrt(len(rest)):
        return 0.0, count
    common = float(np.mean(rest[:-1] * rest[1:] - np.diag(expected, 1)))
    return math.sqrt(max(common, 0.0)), count


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


def below_bound(beta: NDArray[np.float64], covariance: NDArray[np.float64]) -> float:
    """How far terms (p,) lie from the nearest of which none is below zero, in standard
    uncertainties: for one term below zero its own, for more by their covariance (p, p).
    """
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    unit = covariance / np.outer(scale, scale) + 1e-9 * np.eye(len(beta))
    half = linalg.inv(linalg.cholesky(unit, lower=True))
    _, away = optimize.nnls(half, half @ (beta / scale))
    return float(away)


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
