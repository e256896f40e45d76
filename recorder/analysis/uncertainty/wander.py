"""The slow wander of a pull: what one stretch cannot show of itself, the whole run can.

The means over short parts of a run, about a smooth curve in speed, are taken as normal with the
covariance of white noise plus one exponentially correlated wander of unknown size and
correlation time. How likely each size and time is follows from the restricted likelihood (the
curve integrated out: D. A. Harville, Journal of the American Statistical Association 72, 1977,
from memory) and from what is known beforehand: any correlation time from seconds to minutes, and
a size of the order of a per cent. The covariance that is handed on is the mean over what remains
possible, so that a wander which a short run cannot show makes the uncertainty larger, and its
effective degrees of freedom tell how well it is known.

The covariance of the means is handed on as signed parts by cause, by its Cholesky factor: sums
over stretches need no matrix, and neighbours are not independent.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import linalg, signal

from calibration.statistics.median_scatter import normal_sd

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "USUAL",
    "NoisePart",
    "Wander",
    "fast_means",
    "fit_wander",
    "usual_wander",
    "white_variance",
]

FAST_S: Final = 2.0
"""Noise between means of this long is taken for white; neighbouring bins of a slow channel share
samples, and tell too little of it (from experience)."""
TIMES_S: Final = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0)
"""Correlation times, each as likely beforehand: a factor of two apart, any between is held by
its neighbours."""
SIZES: Final = (0.0, 0.001, 0.002, 0.0035, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06)
"""Standard deviations of a wander, as shares of the pull."""
USUAL: Final = 0.01
"""The size from which a wander is thought less likely (half of a Cauchy density): at one setting
the pull of a locomotive holds to about a per cent over minutes (from experience)."""
LEAST_DOF: Final = 4.0


def fast_means(values: NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """Means (k,) of values (n,) over two seconds each."""
    n = _fast_bins(step_s)
    whole = len(values) // n
    return np.asarray(values[: whole * n].reshape(whole, n).mean(axis=1))


def white_variance(differences: NDArray[np.float64], added: float, step_s: float) -> float:
    """Variance of a mean over one second, by the median size of differences (k,) of
    :func:`fast_means`; nought where none is known.

    Each of them has ``added`` times the variance of one mean: two between neighbours, six when
    they are second differences.
    """
    known = differences[np.isfinite(differences)]
    if not len(known):
        return 0.0
    return normal_sd(known) ** 2 / added * _fast_bins(step_s) * step_s


def _fast_bins(step_s: float) -> int:
    return max(1, round(FAST_S / step_s))


@dataclass(frozen=True, slots=True)
class NoisePart:
    """One independent part of the noise of running means over some seconds."""

    variance: float
    """Of such a mean, in the square of its unit."""
    apart_s: float
    """From which on two such means have parts of their own: the integral of their correlation
    over all lags, by which a long series is divided for its effective number of means."""


@dataclass(frozen=True, slots=True)
class Wander:
    """Covariance ``white + Σ weight_j·exp(−lag/time_j)`` of a share of the pull."""

    white: float
    """Variance of a mean over one second."""
    weights: NDArray[np.float64]
    """(j,) variances by correlation time, none negative."""
    dof: float
    """Effective degrees of freedom of the variance of the mean over all parts."""

    @property
    def sd(self) -> float:
        """Standard deviation of the wander, as a share; white noise left out."""
        return math.sqrt(float(self.weights.sum()))

    def covariance(
        self, start_s: NDArray[np.float64], end_s: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Covariance (m, m) of the means over m parts that do not overlap, in order of time."""
        out = np.diag(self.white / (end_s - start_s))
        for tau, weight in zip(TIMES_S, self.weights, strict=True):
            if weight > 0.0:
                out += weight * _kernel(start_s, end_s, tau)
        return np.asarray(out)

    def of_means(self, seconds: float) -> list[NoisePart]:
        """What the wander puts into a mean over ``seconds``, by correlation time, as shares of
        the pull squared; white noise left out.
        """
        out = []
        for tau, weight in zip(TIMES_S, self.weights, strict=True):
            if weight > 0.0:
                held = _alone(seconds / tau)
                # The integral of the covariance over all lags is that of the wander itself.
                out.append(NoisePart(float(weight) * held, max(2.0 * tau / held, seconds)))
        return out

    def of_sum(self, amounts: NDArray[np.float64], step_s: float) -> float:
        """Standard uncertainty of the sum of amounts (n,) at even steps, each of which has the
        wander's share and the white noise's.
        """
        square = float(amounts @ amounts)
        variance = self.white / step_s * square
        for tau, weight in zip(TIMES_S, self.weights, strict=True):
            if weight > 0.0:
                kept = math.exp(-step_s / tau)
                # What those before it still add to each: a first-order recursion.
                before = signal.lfilter([0.0, kept], [1.0, -kept], amounts)
                variance += float(weight) * (square + 2.0 * float(amounts @ before))
        return math.sqrt(max(variance, 0.0))

    def parts(
        self, start_s: NDArray[np.float64], end_s: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Lower triangular (m, m): row i has the signed parts of the mean over part i."""
        covariance = self.covariance(start_s, end_s)
        floor = 1e-12 * float(np.trace(covariance)) / max(len(start_s), 1) + 1e-30
        return np.asarray(
            linalg.cholesky(covariance + floor * np.eye(len(start_s)), lower=True)
        )


def fit_wander(
    start_s: NDArray[np.float64],
    end_s: NDArray[np.float64],
    share: NDArray[np.float64],
    curve: NDArray[np.float64],
    white: float,
    *,
    known: NDArray[np.float64] | None = None,
    of: NDArray[np.float64] | None = None,
    usual: float = USUAL,
) -> Wander:
    """Fit the wander to means of a share of the pull.

    With fewer than two parts more than terms the means tell nothing of a wander, and it is as
    large as it is thought beforehand: what is not known makes the uncertainty larger.

    Parameters
    ----------
    start_s, end_s : (m,) of parts that do not overlap, in order of time
    share : (m,) means
    curve : (m, p) terms of the curve that is taken out
    white : variance of a mean over one second, of the fast noise
    known : (m, m) covariance of the means by what is known of other errors
    of : (m,) what the wander is a share of, where the means are no shares themselves
    usual : size from which a wander is thought less likely
    """
    curve = _independent(curve)
    noise = np.diag(np.maximum(white, 1e-12) / (end_s - start_s))
    noise = noise if known is None else noise + known
    size_of = np.ones(len(share)) if of is None else of
    kernels = [np.outer(size_of, size_of) * _kernel(start_s, end_s, t) for t in TIMES_S]
    tried = [(0.0, 0), *((size, j) for size in SIZES[1:] for j in range(len(TIMES_S)))]
    covariances = [noise + size**2 * kernels[j] for size, j in tried]
    logs = np.array([_beforehand(size, usual) for size, _ in tried])
    if len(share) >= curve.shape[1] + 2:
        logs += np.array([_likelihood(c, share, curve) for c in covariances])
    chance = np.exp(logs - logs.max())
    chance /= chance.sum()
    weights = np.zeros(len(TIMES_S))
    for (size, j), p in zip(tried, chance, strict=True):
        weights[j] += p * size**2
    length = (end_s - start_s) / float(np.sum(end_s - start_s))
    variances = np.array([float(length @ c @ length) for c in covariances])
    mean = float(chance @ variances)
    spread = float(chance @ (variances - mean) ** 2)
    # Of a variance estimate: spread over its square is two over the degrees of freedom.
    dof = LEAST_DOF
    if len(share):
        dof += 2.0 * mean**2 / spread if spread > 0.0 else math.inf
    return Wander(white=white, weights=weights, dof=min(dof, 1e6))


@functools.cache
def usual_wander() -> Wander:
    """What is thought of a wander before anything is seen of one."""
    nothing = np.zeros(0)
    return fit_wander(nothing, nothing, nothing, np.ones((0, 1)), 0.0)


def _independent(curve: NDArray[np.float64]) -> NDArray[np.float64]:
    """Terms (m, q) that span the same curves, none of them made of the others."""
    left, size, _ = np.linalg.svd(curve, full_matrices=False)
    return np.asarray(left[:, size > 1e-8 * size.max(initial=0.0)])


def _beforehand(size: float, usual: float) -> float:
    """Logarithm of how likely a size is thought: its cell of the grid, by half a Cauchy
    density, shared over the correlation times."""
    k = SIZES.index(size)
    cells = np.gradient(np.array(SIZES))
    share = 1.0 if size == 0.0 else 1.0 / len(TIMES_S)
    return math.log(float(cells[k]) * share / (1.0 + (size / usual) ** 2))


def _likelihood(
    covariance: NDArray[np.float64], share: NDArray[np.float64], curve: NDArray[np.float64]
) -> float:
    """Logarithm of the restricted likelihood, but for a constant."""
    factor = linalg.cholesky(covariance, lower=True)
    x = linalg.solve_triangular(factor, curve, lower=True)
    y = linalg.solve_triangular(factor, share, lower=True)
    orthogonal, upper = np.linalg.qr(x)
    rest = y - orthogonal @ (orthogonal.T @ y)
    log_size = float(np.log(np.diag(factor)).sum())
    log_curve = float(np.log(np.abs(np.diag(upper))).sum())
    return -0.5 * float(rest @ rest) - log_size - log_curve


def _kernel(
    start_s: NDArray[np.float64], end_s: NDArray[np.float64], tau: float
) -> NDArray[np.float64]:
    """Correlation (m, m) of means over parts: integrals of exp(−|t − t'|/τ) over both."""
    x = (end_s - start_s) / tau
    shape = -np.expm1(-x) / x
    apart = np.maximum(start_s[None, :] - end_s[:, None], 0.0)
    between = np.triu(np.exp(-apart / tau) * np.outer(shape, shape), 1)
    alone = [_alone(float(each)) for each in x]
    return np.asarray(between + between.T + np.diag(alone))


def _alone(x: float) -> float:
    """Variance of a mean over x correlation times, as a share of that of an instant."""
    return 2.0 / x**2 * (x + math.expm1(-x))
