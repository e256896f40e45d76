"""Uncertainty budgets after the GUM (JCGM 100:2008): the arithmetic, for any measurand.

Type B half-widths become standard uncertainties (GUM 4.3), components combine in quadrature or
with correlation (5.1, 5.2), effective degrees of freedom follow Welch-Satterthwaite (G.4),
and the coverage factor is Student's (G.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.statistics.half_width import Part, Shape
from calibration.statistics.polynomial_fit import t_quantile

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Component",
    "combine",
    "coverage_factor",
    "effective_dof",
    "rectangular",
]


HALF_WIDTHS: Final = MappingProxyType(
    {
        Shape.NORMAL: 1.0,
        Shape.STUDENT: 1.0,
        Shape.RECTANGLE: math.sqrt(3.0),
        Shape.TRIANGLE: math.sqrt(6.0),
        Shape.TWO_POINT: 1.0,
    }
)
"""Width of a distribution over its standard uncertainty (GUM 4.3.7, 4.3.9)."""


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known only to lie within ± half_width (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of a budget, at one value of the measurand or at several."""

    name: str
    standard: NDArray[np.float64] | None
    """(m,) in the measurand's unit, sensitivity included; None: not known. Of a Student t it is
    the scale, as GUM 4.2.3 gives it."""
    dof: float
    """Degrees of freedom; inf for a type B component taken as exactly known."""
    evaluation: str
    """``"A"`` from readings by statistics, ``"B"`` otherwise."""
    distribution: Shape | None
    """None: not known."""
    basis: str
    """Where it comes from, in words; for one not known, why."""
    caution: str = ""
    """What must be told beside the table: it was not measured, and what stands for it."""

    def part(self, i: int) -> Part:
        """The error at the i-th value; raises ``ValueError`` where it is not known."""
        if self.standard is None or self.distribution is None:
            msg = f"{self.name} is not known: {self.basis}"
            raise ValueError(msg)
        width = float(self.standard[i]) * HALF_WIDTHS[self.distribution]
        return Part(self.distribution, width, self.dof)


def combine(standards: ArrayLike) -> NDArray[np.float64]:
    """Root sum of squares over the first axis, uncorrelated components (GUM 5.1.2).

    Parameters
    ----------
    standards : (components, …)
    """
    return np.asarray(np.sqrt(np.sum(np.square(np.asarray(standards, np.float64)), axis=0)))


def effective_dof(standards: ArrayLike, dofs: Sequence[float]) -> NDArray[np.float64]:
    """Welch-Satterthwaite: ``ν = u⁴ / Σ (uᵢ⁴ / νᵢ)`` (GUM G.4.1).

    Parameters
    ----------
    standards : (components, …) standard uncertainties
    dofs : (components,)

    Returns
    -------
    (…) float64
        inf where only components of infinite dof count, or all are zero.
    """
    u = np.asarray(standards, dtype=np.float64)
    shape = (len(dofs),) + (1,) * (u.ndim - 1)
    share = np.sum(u**4 / np.asarray(dofs, dtype=np.float64).reshape(shape), axis=0)
    total = np.sum(u**2, axis=0) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(share > 0.0, total / share, np.inf))


def coverage_factor(
    dof: ArrayLike, *, level: float = 0.95, truncate: bool = False
) -> NDArray[np.float64]:
    """Student's factor for a two-sided level; (…) float64.

    ``truncate`` takes the next whole number below, as GUM G.4.1 allows; else it is
    interpolated. Degrees of freedom below 1 count as 1.
    """
    values = np.maximum(np.asarray(dof, dtype=np.float64), 1.0)
    if truncate:
        values = np.where(np.isinf(values), values, np.floor(values))
    flat = [t_quantile(float(v), level=level) for v in values.ravel()]
    return np.asarray(flat, dtype=np.float64).reshape(values.shape)
