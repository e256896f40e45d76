"""Least-squares polynomials, numerically sound for raw counts (10⁷) and newtons (10⁶).

The abscissa is divided by a power of two near its largest magnitude (an exact operation), and
the scaled problem is solved by QR decomposition; the normal equations are never formed.
Coefficients and their covariance are scaled back at the end.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FitError",
    "LackOfFit",
    "PolynomialFit",
    "fit_polynomial",
    "invert",
    "is_monotone",
    "lack_of_fit",
    "t_quantile",
]


class FitError(ValueError):
    """The readings cannot carry the fit asked for."""


def t_quantile(dof: float, *, level: float = 0.95) -> float:
    """Two-sided Student factor: a fraction ``level`` lies within ± it. ``dof`` may be inf."""
    if math.isinf(dof):
        return float(special.ndtri(0.5 + level / 2.0))
    return float(special.stdtrit(dof, 0.5 + level / 2.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class PolynomialFit:
    """``y = Σ coefficients[i]·x**i`` and how well it is known."""

    coefficients: NDArray[np.float64]
    """(degree + 1,), constant first, in the units of y per x**i; [0] is 0 when through zero."""
    covariance: NDArray[np.float64]
    """(degree + 1, degree + 1); row and column 0 are 0 when through zero."""
    residual_sd: float
    """√(Σ residual² / dof), unit of y."""
    dof: int
    n: int
    residual_ss: float
    regression_ss: float
    """About the mean of y; about 0 when through zero."""
    x_low: float
    x_high: float
    through_zero: bool
    scale: float
    """Power of two by which x is divided inside."""

    @property
    def degree(self) -> int:
        return len(self.coefficients) - 1

    @property
    def standard_errors(self) -> NDArray[np.float64]:
        """(degree + 1,) square roots of the covariance's diagonal."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def r_squared(self) -> float:
        total = self.regression_ss + self.residual_ss
        return self.regression_ss / total if total > 0.0 else math.nan

    @property
    def f_statistic(self) -> float:
        """Regression mean square over residual mean square; inf for an exact fit."""
        mean_square = self.residual_ss / self.dof
        numerator = self.regression_ss / self.degree
        return numerator / mean_square if mean_square > 0.0 else math.inf

    def _scaled(self, x: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        u = np.asarray(x, dtype=np.float64) / self.scale
        powers = np.asarray(self.scale ** np.arange(self.degree + 1), dtype=np.float64)
        return u, powers

    def predict(self, x: ArrayLike) -> NDArray[np.float64]:
        """The curve at x; any shape."""
        u, powers = self._scaled(x)
        return np.asarray(np.polynomial.polynomial.polyval(u, self.coefficients * powers))

    def slope(self, x: ArrayLike) -> NDArray[np.float64]:
        """dy/dx at x; any shape."""
        return np.asarray(
            np.polynomial.polynomial.polyval(
                np.asarray(x, dtype=np.float64),
                np.polynomial.polynomial.polyder(self.coefficients),
            )
        )


def fit_polynomial(
    x: ArrayLike,
    y: ArrayLike,
    degree: int,
    *,
    through_zero: bool = False,
    weights: ArrayLike | None = None,
) -> PolynomialFit:
    """Least squares.

    Parameters
    ----------
    x, y : (n,) real
    degree : 1 … 5
    through_zero : leave the constant term out
    weights : (n,) above 0, in proportion to 1 over the variance; None: all alike

    Raises
    ------
    FitError
        Fewer than one residual degree of freedom, too few distinct x, or values not finite.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    _check(xs, ys, degree, through_zero=through_zero)
    largest = float(np.max(np.abs(xs)))
    scale = 2.0 ** math.ceil(math.log2(largest))
    first = 1 if through_zero else 0
    exponents = np.arange(first, degree + 1)
    design = (xs / scale)[:, None] ** exponents
    root = _root(weights, len(xs))
    design, ys = design * root[:, None], ys * root
    solution, inverse = _solved(design, ys, degree)
    residuals = ys - design @ solution
    dof = len(xs) - len(exponents)
    residual_ss = float(residuals @ residuals)
    covariance = np.zeros((degree + 1, degree + 1))
    covariance[first:, first:] = inverse @ inverse.T * (residual_ss / dof)
    covariance /= np.outer(scale ** np.arange(degree + 1), scale ** np.arange(degree + 1))
    coefficients = np.zeros(degree + 1)
    coefficients[first:] = solution / scale**exponents
    centred = ys if through_zero else ys - math.fsum(ys.tolist()) / len(ys)
    return PolynomialFit(
        coefficients=coefficients,
        covariance=covariance,
        residual_sd=math.sqrt(residual_ss / dof),
        dof=dof,
        n=len(xs),
        residual_ss=residual_ss,
        regression_ss=max(float(centred @ centred) - residual_ss, 0.0),
        x_low=float(np.min(xs)),
        x_high=float(np.max(xs)),
        through_zero=through_zero,
        scale=scale,
    )


def _root(weights: ArrayLike | None, n: int) -> NDArray[np.float64]:
    """Square roots of weights brought to a mean of 1."""
    if weights is None:
        return np.ones(n)
    values = np.asarray(weights, dtype=np.float64)
    return np.asarray(np.sqrt(values / np.mean(values)))


def _solved(
    design: NDArray[np.float64], ys: NDArray[np.float64], degree: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least squares, and the inverse of the design's triangle."""
    q, inverse = _decomposed(design, degree)
    solution = inverse @ (q.T @ ys)
    # Refinement takes out what decomposition and inverse rounded.
    for _ in range(2):
        solution = solution + inverse @ (q.T @ (ys - design @ solution))
    return solution, inverse


def _decomposed(
    design: NDArray[np.float64], degree: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Orthonormal columns of a design, and the inverse of its triangle."""
    q, r = np.linalg.qr(design)
    diagonal = np.abs(np.diag(r))
    if float(np.min(diagonal)) < 1e-12 * float(np.max(diagonal)):
        msg = f"the values lie too close together for a degree {degree} fit"
        raise FitError(msg)
    return q, _invert_upper(r)


def _invert_upper(r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse of a small upper triangle by back substitution.

    Six by six at most: plain Python is faster than waking a threaded library for it.
    """
    n = len(r)
    rows = r.tolist()
    inverse = [[0.0] * n for _ in range(n)]
    for column in range(n):
        for i in range(column, -1, -1):
            total = 1.0 if i == column else 0.0
            for j in range(i + 1, column + 1):
                total -= rows[i][j] * inverse[j][column]
            inverse[i][column] = total / rows[i][i]
    return np.array(inverse)


def _check(
    x: NDArray[np.float64], y: NDArray[np.float64], degree: int, *, through_zero: bool
) -> None:
    if x.ndim != 1 or x.shape != y.shape:
        msg = f"x and y must be one-dimensional and alike, got {x.shape} and {y.shape}"
        raise FitError(msg)
    if not 1 <= degree <= 5:
        msg = f"degree must be 1 to 5, got {degree}"
        raise FitError(msg)
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        msg = "a value to be fitted is not finite"
        raise FitError(msg)
    terms = degree if through_zero else degree + 1
    if len(x) <= terms:
        msg = (
            f"{len(x)} readings cannot carry a degree {degree} fit: at least {terms + 1} needed"
        )
        raise FitError(msg)
    distinct = np.unique(x)
    usable = len(distinct) - int(through_zero and 0.0 in distinct)
    if usable < terms:
        msg = f"{usable} distinct values cannot carry a degree {degree} fit: {terms} needed"
        raise FitError(msg)


def is_monotone(coefficients: ArrayLike, low: float, high: float) -> bool:
    """Whether the polynomial rises, or falls, strictly over the whole of [low, high]."""
    derivative = np.polynomial.polynomial.polyder(np.asarray(coefficients, dtype=np.float64))
    span = max(abs(low), abs(high)) or 1.0
    scaled = derivative * span ** np.arange(len(derivative))
    points = [low / span, high / span]
    # Terms below rounding would overflow the search for roots and move none inside.
    scaled[np.abs(scaled) < 1e-16 * np.max(np.abs(scaled), initial=0.0)] = 0.0
    trimmed = np.trim_zeros(scaled, "b")
    if len(trimmed) == 0:
        return False
    roots = np.polynomial.polynomial.polyroots(trimmed)
    real = roots[np.abs(roots.imag) < 1e-9 * np.maximum(1.0, np.abs(roots))].real
    inner = sorted({*points, *[float(r) for r in real if points[0] < r < points[1]]})
    middles = [(a + b) / 2.0 for a, b in itertools.pairwise(inner)] or points
    signs = np.sign(np.polynomial.polynomial.polyval(np.array(middles), scaled))
    return bool(np.all(signs == signs[0]) and signs[0] != 0.0)


def invert(
    coefficients: ArrayLike, y: ArrayLike, low: float, high: float
) -> NDArray[np.float64]:
    """The x in [low, high] where the polynomial is y; other roots are left alone.

    Parameters
    ----------
    y : (...) real

    Returns
    -------
    (...) float64
        By bisection and Newton's method; good to the last few bits.

    Raises
    ------
    FitError
        The curve turns back inside [low, high], or a y lies outside what it reaches there.
    """
    c = np.asarray(coefficients, dtype=np.float64)
    target = np.asarray(y, dtype=np.float64)
    if not is_monotone(c, low, high):
        msg = f"the curve turns back between {low:g} and {high:g}: it has no single inverse"
        raise FitError(msg)
    value = np.polynomial.polynomial.polyval
    ends = np.sort(value(np.array([low, high]), c))
    slack = 1e-12 * max(abs(ends[0]), abs(ends[1]))
    if np.any(target < ends[0] - slack) or np.any(target > ends[1] + slack):
        msg = (
            f"a value to invert lies outside what the curve reaches, {ends[0]:g} to {ends[1]:g}"
        )
        raise FitError(msg)
    rising = value(high, c) > value(low, c)
    a, b = np.full(target.shape, float(low)), np.full(target.shape, float(high))
    for _ in range(30):
        middle = 0.5 * (a + b)
        right = (value(middle, c) < target) == rising
        a, b = np.where(right, middle, a), np.where(right, b, middle)
    x = 0.5 * (a + b)
    derivative = np.polynomial.polynomial.polyder(c)
    for _ in range(3):
        gradient = value(x, derivative)
        step = np.where(gradient != 0.0, (value(x, c) - target) / gradient, 0.0)
        x = np.clip(x - step, low, high)
    return np.asarray(x)


@dataclass(frozen=True, slots=True, kw_only=True)
class LackOfFit:
    """Scatter about the curve against scatter among repeats of the same force."""

    f: float
    dof_lack: int
    dof_pure: int
    p_value: float
    """Probability of an F this large when the curve is right."""
    pure_error_ss: float
    pure_error_sd: float

    @property
    def rejected(self) -> bool:
        """Whether the curve is rejected at the 5 % level."""
        return self.p_value < 0.05


def lack_of_fit(x: ArrayLike, y: ArrayLike, fit: PolynomialFit) -> LackOfFit | str:
    """F test of lack of fit against pure error of replicated x.

    Returns a reason in words when there are no repeats, or no more levels than coefficients.
    Source: Draper and Smith, *Applied Regression Analysis*, lack of fit and pure error.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    levels, index = np.unique(xs, return_inverse=True)
    counts = np.bincount(index)
    means = np.bincount(index, weights=ys) / counts
    within = ys - means[index]
    pure_ss, dof_pure = float(within @ within), len(xs) - len(levels)
    terms = fit.degree + (0 if fit.through_zero else 1)
    dof_lack = len(levels) - terms
    if dof_pure < 1:
        return "no force was applied twice: there is no pure error to test against"
    if dof_lack < 1:
        return (
            f"{len(levels)} distinct forces leave nothing over for a degree {fit.degree} curve"
        )
    if pure_ss <= 0.0:
        return "repeats agree to the last digit: the pure error is zero"
    f = max(fit.residual_ss - pure_ss, 0.0) / dof_lack / (pure_ss / dof_pure)
    return LackOfFit(
        f=f,
        dof_lack=dof_lack,
        dof_pure=dof_pure,
        p_value=float(special.fdtrc(dof_lack, dof_pure, f)),
        pure_error_ss=pure_ss,
        pure_error_sd=math.sqrt(pure_ss / dof_pure),
    )
