"""The characteristic function of Student's t.

``φ(z) = K_μ(y) y^μ / (Γ(μ) 2^(μ−1))`` with μ = ν/2 and y = √ν |z|, K the modified Bessel
function of the second kind (S. Hurst, "The characteristic function of the Student t
distribution", 1995; G. A. F. Seber and others give the same).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["student_characteristic"]

_MANY: Final = 120.0
"""Degrees of freedom from which the expansion for large order is good to 4e-12."""


def student_characteristic(z: NDArray[np.float64], dof: float) -> NDArray[np.float64]:
    """φ of Student's t of unit scale at z (n,), real; ``dof`` above 0 and finite."""
    mu = dof / 2.0
    y = math.sqrt(dof) * np.abs(np.asarray(z, dtype=np.float64))
    if dof >= _MANY:
        return _large_order(y, mu)
    if float(dof).is_integer():
        return _by_recurrence(y, int(dof))
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        log = (
            np.log(special.kve(mu, y)) - y + mu * np.log(y)
            - special.gammaln(mu) - (mu - 1.0) * math.log(2.0)
        )  # fmt: skip
        result = np.exp(log)
    # Bessel's function overflows where nothing has faded yet.
    return np.where(np.isfinite(result), result, 1.0)


def _by_recurrence(y: NDArray[np.float64], dof: int) -> NDArray[np.float64]:
    """From ``K_(μ+1) = K_(μ−1) + (2μ/y) K_μ``: ``φ_(μ+1) = φ_μ + y² φ_(μ−1) / (4 μ (μ−1))``."""
    if dof % 2:
        lower = np.exp(-y)
        if dof == 1:
            return lower
        upper, mu = (1.0 + y) * lower, 1.5
    else:
        safe = np.maximum(y, 1e-300)
        lower = safe * special.k1e(safe) * np.exp(-y)
        if dof == 2:
            return lower
        upper = lower + 0.5 * safe**2 * special.k0e(safe) * np.exp(-y)
        mu = 2.0
    while mu < dof / 2.0:
        lower, upper = upper, upper + y**2 * lower / (4.0 * mu * (mu - 1.0))
        mu += 1.0
    return np.asarray(upper)


def _large_order(y: NDArray[np.float64], mu: float) -> NDArray[np.float64]:
    """Uniform expansion of K_μ(μ x), NIST Digital Library of Mathematical Functions 10.41.4."""
    x = y / mu
    root = np.sqrt(1.0 + x**2)
    p = 1.0 / root
    u1 = (3.0 * p - 5.0 * p**3) / 24.0
    u2 = (81.0 * p**2 - 462.0 * p**4 + 385.0 * p**6) / 1152.0
    u3 = (30375.0 * p**3 - 369603.0 * p**5 + 765765.0 * p**7 - 425425.0 * p**9) / 414720.0
    u4 = (
        4465125.0 * p**4 - 94121676.0 * p**6 + 349922430.0 * p**8
        - 446185740.0 * p**10 + 185910725.0 * p**12
    ) / 39813120.0  # fmt: skip
    series = 1.0 - u1 / mu + u2 / mu**2 - u3 / mu**3 + u4 / mu**4
    # η of the expansion less its value for y -> 0, written so that nothing large is subtracted.
    excess = x**2 / (1.0 + root)
    eta = excess - np.log1p(excess / 2.0)
    # Γ(μ) by Stirling's series cancels the powers of μ; what is left of it:
    stirling = 1.0 / (12.0 * mu) - 1.0 / (360.0 * mu**3) + 1.0 / (1260.0 * mu**5)
    return np.asarray(np.exp(-mu * eta - stirling) / np.sqrt(root) * series)
