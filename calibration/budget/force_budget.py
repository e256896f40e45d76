"""The budget of a force cell: what each cause adds at each force, in kilonewtons.

It answers for an indicated force on the road: in a new mounting, after a zero taken in the field,
rising, falling or inside the loop, within the service temperatures and the certificate's
validity. Components follow the list usual for force-proving instruments (annex C of ISO 376 and
EURAMET cg-4, from memory). U is the exact 95 % half-width of the sum of their distributions, as
JCGM 101 asks; u_c stays the root sum of squares of the GUM, and k is U over it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.budget import bench_lines as bench
from calibration.budget import stated_lines as stated
from calibration.budget.components import BenchFacts
from calibration.statistics.gum import Component, combine, effective_dof
from calibration.statistics.half_width import half_width

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.budget.stated_lines import MeasuredEffect
    from calibration.budget.working_curve import WorkingCurve
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries

__all__ = ["BudgetFigures", "ForceBudget", "force_budget"]

GRID: Final = 21
LEVEL: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class ForceBudget:
    """Components and their sum at m forces from 0 to the largest, one sense."""

    force_kN: NDArray[np.float64]
    """(m,) magnitudes, rising from 0."""
    components: tuple[Component, ...]
    combined_kN: NDArray[np.float64]
    """(m,) u_c of the known components; NaN where ``refused``."""
    dof: NDArray[np.float64]
    """(m,) effective degrees of freedom (GUM G.4), for comparison: U does not rest on them."""
    expanded_kN: NDArray[np.float64]
    """(m,) U for 95 %; NaN where ``refused``."""
    refused: str = ""
    """Why there is no U; empty where there is."""

    @property
    def coverage_factor(self) -> NDArray[np.float64]:
        """(m,) ``U / u_c``; 2 where both are 0."""
        u = self.combined_kN
        with np.errstate(divide="ignore", invalid="ignore"):
            # One two-point error alone has k = 1: no less.
            return np.where(u == 0.0, 2.0, np.maximum(self.expanded_kN / u, 1.0))

    @property
    def cautions(self) -> tuple[str, ...]:
        """What must be told of components that were not measured."""
        return tuple(c.caution for c in self.components if c.caution)

    def to_document(self) -> dict[str, Any]:
        """Plain JSON; what is infinite or not known becomes null."""
        with np.errstate(divide="ignore", invalid="ignore"):
            relative = np.where(
                self.force_kN > 0, 100 * self.expanded_kN / self.force_kN, np.nan
            )
        return {
            "unit": "kN",
            "level": LEVEL,
            "force_kN": self.force_kN.tolist(),
            "components": [
                {
                    "name": c.name,
                    "standard_kN": None if c.standard is None else c.standard.tolist(),
                    "dof": _finite(c.dof),
                    "evaluation": c.evaluation,
                    "distribution": None if c.distribution is None else str(c.distribution),
                    "basis": c.basis,
                    "caution": c.caution or None,
                }
                for c in self.components
            ],
            "refused": self.refused or None,
            **{
                name: [_finite(v) for v in values.tolist()]
                for name, values in (
                    ("combined_kN", self.combined_kN),
                    ("effective_dof", self.dof),
                    ("coverage_factor", self.coverage_factor),
                    ("expanded_kN", self.expanded_kN),
                    ("expanded_pct", relative),
                )
            },
        }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetFigures:
    """Figures of the same sense that the budget rests on."""

    resolution_kN: float | None
    resolution_reason: str
    """Why there is none."""
    creep: MeasuredEffect
    """% of the largest force."""
    temperature_zero: MeasuredEffect
    """% of the largest force per K."""
    temperature_span: MeasuredEffect
    """% of reading per K."""
    unread_zero_sd: float | None
    """Standard error of a zero that was not read but is the curve's constant term, unit of
    reading; None where zeros were read."""


def force_budget(
    loads: LoadSeries, curve: WorkingCurve, figures: BudgetFigures, settings: BenchSettings
) -> ForceBudget:
    """Make the budget of one sense; ``loads`` with its zero, read or extrapolated, taken off."""
    grid = np.linspace(0.0, loads.largest * loads.readings.kN_per_unit, GRID)
    facts = BenchFacts(loads=loads, curve=curve, settings=settings, grid_kN=grid)
    if_any = (
        bench.unread_zero_line(facts, figures.unread_zero_sd),
        bench.held_zero_line(facts),
        bench.preload_line(facts),
    )
    components = (
        *stated.reference_lines(facts),
        bench.scatter_line(facts),
        bench.mounting_line(facts),
        bench.misfit_line(facts),
        bench.resolution_line(facts, figures.resolution_kN, figures.resolution_reason),
        *(found for found in if_any if found is not None),
        bench.zero_line(facts),
        bench.loop_line(facts),
        stated.creep_line(facts, figures.creep),
        *stated.temperature_lines(facts, figures.temperature_zero, figures.temperature_span),
        stated.stability_line(facts),
    )
    known = [c for c in components if c.standard is not None]
    standards = np.vstack([c.standard for c in known if c.standard is not None])
    refused = ""
    if settings.reference_U_pct is None:
        refused = (
            "the expanded uncertainty of the reference standard is not stated"
            " (reference_U_pct): without it there is no U and no certificate"
        )
    nothing = np.full(GRID, np.nan)
    return ForceBudget(
        force_kN=grid,
        components=components,
        combined_kN=nothing if refused else combine(standards),
        dof=effective_dof(standards, [c.dof for c in known]),
        expanded_kN=nothing if refused else _expanded(known),
        refused=refused,
    )


def _expanded(known: list[Component]) -> NDArray[np.float64]:
    return np.array([half_width([c.part(i) for c in known], level=LEVEL) for i in range(GRID)])
