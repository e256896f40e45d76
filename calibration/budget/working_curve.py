"""The curve used on the road: through zero, midway between rising and falling readings.

At each force every position, and in it each direction, has equal weight: a programme that rises
four times and falls twice does not lean to the rising side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.budget.half_loop import HalfLoop, position_weights
from calibration.statistics.polynomial_fit import PolynomialFit, fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.load_series import LoadSeries

__all__ = ["WorkingCurve", "working_curve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingCurve:
    """One sense."""

    fit: PolynomialFit
    """Force in kN from deflection."""
    loop: HalfLoop
    midway: NDArray[np.float64]
    """(n,) deflections with the half-loop taken out."""
    weights: NDArray[np.float64]
    """(n,) at each level every position, and in it each direction, alike."""
    preload_kN: float = 0.0
    """Force that a spring needs before it moves, magnitude: comes on top of the fit."""

    def residual_kN(self, loads: LoadSeries) -> NDArray[np.float64]:
        """(n,) curve less applied force."""
        held = loads.sense * self.preload_kN
        return self.fit.predict(self.midway) + held - loads.force * loads.readings.kN_per_unit

    def sensitivity(self, force_kN: NDArray[np.float64]) -> NDArray[np.float64]:
        """(m, n) by how much the curve at a force moves for each reading's own error, as force.

        ``force_kN`` (m,) in magnitude; through the straight line from zero to the largest force.
        """
        end = self.midway[np.argmax(np.abs(self.midway))]
        span = float(np.max(np.abs(self.fit.predict(self.midway))))
        powers = np.arange(1, self.fit.degree + 1)
        design = (self.midway / end)[:, None] ** powers
        at = (np.maximum(force_kN - self.preload_kN, 0.0) / span)[:, None] ** powers
        weighted = design * self.weights[:, None]
        return np.asarray(at @ np.linalg.solve(design.T @ weighted, weighted.T))


def working_curve(
    loads: LoadSeries, loop: HalfLoop, degree: int, preload_kN: float = 0.0
) -> WorkingCurve:
    """Fit it; zeroes must have been taken off the deflections.

    With a preload (magnitude) only readings that moved may be among the loads.

    Raises
    ------
    FitError
        The readings cannot carry the degree.
    """
    midway, weights = loop.taken_out(loads), position_weights(loads)
    fit = fit_polynomial(
        midway,
        loads.force * loads.readings.kN_per_unit - loads.sense * preload_kN,
        degree,
        through_zero=True,
        weights=weights,
    )
    return WorkingCurve(
        fit=fit, loop=loop, midway=midway, weights=weights, preload_kN=preload_kN
    )
