"""A number with the causes of its uncertainty, so that common causes stay common.

Every part is a signed standard uncertainty in the unit of the value, kept under its cause.
Parts of the same cause are fully correlated and add with their sign; parts of different causes
are independent and add in quadrature. This is the law of propagation of uncertainty (JCGM
100:2008, 5.1 and 5.2) with every correlation carried by a shared cause (F.1.2.3), and the
effective degrees of freedom of Welch and Satterthwaite (G.4.1).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from scipy.special import ndtri, stdtrit

from recorder.analysis.uncertainty.causes import UncertaintyCause

__all__ = ["COVERAGE", "Measured", "pooled", "quantile"]

COVERAGE: Final = 0.95
"""Coverage probability of every expanded uncertainty."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value, its unit, and what makes it uncertain."""

    value: float
    unit: str
    parts: Mapping[UncertaintyCause, float] = field(default_factory=dict)
    """Signed standard uncertainties by cause, in ``unit``."""
    dof: Mapping[UncertaintyCause, float] = field(default_factory=dict)
    """Degrees of freedom by cause; a cause not named has infinitely many."""

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(math.fsum(part * part for part in self.parts.values()))

    @property
    def effective_dof(self) -> float:
        """Welch–Satterthwaite degrees of freedom, JCGM 100:2008 G.2b; ``inf`` when all are.

        Parts that come of one variance estimate have its degrees of freedom once, together.
        """
        u = self.u
        if u == 0.0 or not math.isfinite(u):
            return math.inf
        of_estimate: dict[UncertaintyCause, tuple[float, float]] = {}
        for cause, part in self.parts.items():
            dof = self.dof.get(cause, math.inf)
            if dof < math.inf:
                squares, least = of_estimate.get(cause.estimate, (0.0, dof))
                of_estimate[cause.estimate] = (squares + (part / u) ** 2, min(least, dof))
        spent = math.fsum(squares**2 / dof for squares, dof in of_estimate.values())
        return math.inf if spent == 0.0 else 1.0 / spent

    @property
    def by_estimate(self) -> dict[UncertaintyCause, float]:
        """Standard uncertainty by cause, those of one variance estimate in quadrature."""
        squares: dict[UncertaintyCause, float] = {}
        for cause, part in self.parts.items():
            squares[cause.estimate] = squares.get(cause.estimate, 0.0) + part * part
        return {cause: math.sqrt(square) for cause, square in squares.items()}

    @property
    def coverage_factor(self) -> float:
        """k for :data:`COVERAGE`, Student's t (two-sided)."""
        return quantile(0.5 + COVERAGE / 2, self.effective_dof)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, ``k·u``."""
        return self.coverage_factor * self.u if self.parts else 0.0

    def with_part(
        self, cause: UncertaintyCause, u: float, *, dof: float = math.inf
    ) -> Measured:
        """The same value with one more cause (added to the same cause when already there)."""
        parts = dict(self.parts)
        parts[cause] = parts.get(cause, 0.0) + u
        dofs = dict(self.dof)
        if dof < math.inf:
            dofs[cause] = dof
        return Measured(self.value, self.unit, parts, dofs)

    def scaled(self, factor: float, unit: str | None = None) -> Measured:
        """Multiply by an exact number."""
        parts = {cause: part * factor for cause, part in self.parts.items()}
        return Measured(self.value * factor, unit or self.unit, parts, self.dof)

    def plus(self, other: Measured, *, sign: float = 1.0) -> Measured:
        """Sum (``sign=-1`` for the difference); units must agree."""
        if other.unit != self.unit:
            msg = f"cannot add {other.unit} to {self.unit}"
            raise ValueError(msg)
        value = self.value + sign * other.value
        return _joined(value, self.unit, self, 1.0, other, sign)

    def minus(self, other: Measured) -> Measured:
        """Difference; common causes cancel."""
        return self.plus(other, sign=-1.0)

    def times(self, other: Measured, unit: str) -> Measured:
        """Product, first order."""
        return _joined(self.value * other.value, unit, self, other.value, other, self.value)

    def over(self, other: Measured, unit: str) -> Measured:
        """Quotient, first order.

        Raises
        ------
        ZeroDivisionError
            The divisor is zero.
        """
        ratio = self.value / other.value
        return _joined(ratio, unit, self, 1.0 / other.value, other, -ratio / other.value)

    def shifted(self, by: float) -> Measured:
        """The sum with an exact number: a limit, a definition."""
        return Measured(self.value + by, self.unit, self.parts, self.dof)

    def to_dict(self) -> dict[str, Any]:
        """``value, unit, U, k, u, dof, causes`` for results.json; infinite dof is ``null``."""
        dof = self.effective_dof
        return {
            "value": _finite(self.value),
            "unit": self.unit,
            "expanded_uncertainty": _finite(self.expanded),
            "coverage_factor": _finite(self.coverage_factor),
            "coverage": COVERAGE,
            "standard_uncertainty": _finite(self.u),
            "effective_dof": _finite(dof),
            "causes": {
                cause.label: _finite(part)
                for cause, part in sorted(self.by_estimate.items(), key=lambda h: h[0].label)
            },
        }


def quantile(probability: float, dof: float) -> float:
    """Quantile of Student's t; the normal one for infinite degrees of freedom."""
    if dof == math.inf or dof > 1e6:
        return float(ndtri(probability))
    return float(stdtrit(max(dof, 1.0), probability))


def pooled(items: list[Measured], weights: list[float]) -> Measured:
    """Weighted mean; weights are normalised.

    Raises
    ------
    ValueError
        No items, or weights that do not sum to more than zero.
    """
    total = math.fsum(weights)
    if not items or total <= 0.0:
        msg = f"cannot average {len(items)} values with weights summing to {total}"
        raise ValueError(msg)
    result = items[0].scaled(weights[0] / total)
    for item, weight in zip(items[1:], weights[1:], strict=True):
        result = result.plus(item.scaled(weight / total))
    return result


def _joined(
    value: float, unit: str, a: Measured, da: float, b: Measured, db: float
) -> Measured:
    parts = {cause: part * da for cause, part in a.parts.items()}
    for cause, part in b.parts.items():
        parts[cause] = parts.get(cause, 0.0) + part * db
    dof = {**a.dof}
    for cause, n in b.dof.items():
        dof[cause] = min(n, dof.get(cause, math.inf))
    return Measured(value, unit, parts, dof)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
