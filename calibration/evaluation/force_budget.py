"""The budget of a force cell: what each cause adds at each force, in kilonewtons.

Components follow the list usual for force-proving instruments (annex C of ISO 376 and
EURAMET cg-4 as commonly stated), combined after the GUM. A cause that was neither measured
nor stated stays in the table without a number and with the reason; nothing is made up for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.figures.iso376 import iso_series
from calibration.readings.bench_settings import BenchSettings
from calibration.statistics.gum import (
    Component,
    combine,
    coverage_factor,
    effective_dof,
    rectangular,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.figures.figure import Figure
    from calibration.readings.load_series import LoadSeries
    from calibration.statistics.polynomial_fit import PolynomialFit

__all__ = ["ForceBudget", "force_budget"]

GRID: Final = 21
FRICTION: Final = ("capsule", "draft spring")
"""Elements whose loop is friction and as wide at zero as at half load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForceBudget:
    """Components and their sum at m forces from 0 to the largest, one sense."""

    force_kN: NDArray[np.float64]
    """(m,) magnitudes, rising from 0."""
    components: tuple[Component, ...]
    combined_kN: NDArray[np.float64]
    dof: NDArray[np.float64]
    coverage_factor: NDArray[np.float64]
    """For 95 %."""

    @property
    def expanded_kN(self) -> NDArray[np.float64]:
        """(m,) ``k·u``."""
        return self.combined_kN * self.coverage_factor

    def to_document(self) -> dict[str, Any]:
        """Plain JSON; infinite degrees of freedom become null."""
        with np.errstate(divide="ignore", invalid="ignore"):
            relative = np.where(
                self.force_kN > 0, 100 * self.expanded_kN / self.force_kN, np.nan
            )
        return {
            "unit": "kN",
            "level": 0.95,
            "force_kN": self.force_kN.tolist(),
            "components": [
                {
                    "name": c.name,
                    "standard_kN": None if c.standard is None else c.standard.tolist(),
                    "dof": _finite(c.dof),
                    "evaluation": c.evaluation,
                    "distribution": c.distribution,
                    "basis": c.basis,
                }
                for c in self.components
            ],
            "combined_kN": self.combined_kN.tolist(),
            "effective_dof": [_finite(v) for v in self.dof.tolist()],
            "coverage_factor": self.coverage_factor.tolist(),
            "expanded_kN": self.expanded_kN.tolist(),
            "expanded_pct": [_finite(v) for v in relative.tolist()],
        }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def force_budget(
    loads: LoadSeries,
    curve: PolynomialFit,
    figures: dict[str, Figure],
    settings: BenchSettings,
    *,
    extrapolated_zero_sd: float | None,
) -> ForceBudget:
    """Make the budget of one sense.

    Parameters
    ----------
    curve : force (kN) from deflection, through zero: the curve used on the road
    figures : by name, of the same sense
    extrapolated_zero_sd
        Standard error of a zero that was not read but is the curve's constant term, unit of
        reading; None where zeros were read.
    """
    grid = np.linspace(0.0, loads.largest * loads.readings.kN_per_unit, GRID)
    maker = _BudgetMaker(loads, curve, figures, settings, grid)
    components = (
        maker.reference(),
        maker.reference_temperature(),
        *maker.scatter(),
        maker.curve_error(),
        maker.resolution(),
        maker.zero(extrapolated_zero_sd),
        maker.reversibility(),
        maker.creep(),
        *maker.temperature(),
        maker.stability(),
    )
    known = [c for c in components if c.standard is not None]
    standards = np.vstack([c.standard for c in known if c.standard is not None])
    dof = effective_dof(standards, [c.dof for c in known])
    return ForceBudget(
        force_kN=grid,
        components=components,
        combined_kN=combine(standards),
        dof=dof,
        coverage_factor=coverage_factor(dof),
    )


class _BudgetMaker:
    def __init__(
        self,
        loads: LoadSeries,
        curve: PolynomialFit,
        figures: dict[str, Figure],
        settings: BenchSettings,
        grid: NDArray[np.float64],
    ) -> None:
        self.loads, self.curve, self.figures, self.settings = loads, curve, figures, settings
        self.grid = grid
        self.kN_per_reading = float(abs(grid[-1] / loads.full_scale))

    def component(
        self,
        name: str,
        standard: NDArray[np.float64] | float,
        basis: str,
        *,
        dof: float = math.inf,
        evaluation: str = "B",
        distribution: str = "rectangular",
    ) -> Component:
        values = np.broadcast_to(np.asarray(standard, dtype=np.float64), self.grid.shape).copy()
        return Component(
            name=name, standard=values, dof=dof, evaluation=evaluation,
            distribution=distribution, basis=basis,
        )  # fmt: skip

    def unknown(self, name: str, reason: str) -> Component:
        return Component(
            name=name, standard=None, dof=math.inf, evaluation="B",
            distribution="", basis=reason,
        )  # fmt: skip

    def relative(self, name: str, percent: float | None, basis: str, reason: str) -> Component:
        """A half-width proportional to force, rectangular."""
        if percent is None:
            return self.unknown(name, reason)
        return self.component(name, rectangular(abs(percent) / 100.0) * self.grid, basis)

    def number(self, name: str) -> float | None:
        value = self.figures[name].value if name in self.figures else None
        return value if isinstance(value, float) else None

    def reference(self) -> Component:
        U = self.settings.reference_U_pct
        if U is None:
            return self.unknown("reference standard", "its expanded uncertainty is not stated")
        return self.component(
            "reference standard",
            U / self.settings.reference_k / 100.0 * self.grid,
            f"U = {U:g} % (k = {self.settings.reference_k:g}) of its certificate",
            distribution="normal",
        )

    def reference_temperature(self) -> Component:
        s = self.settings
        name = "temperature of the reference"
        if s.reference_temperature_coefficient_pct_per_K is None:
            return self.unknown(name, "its temperature coefficient is not stated")
        if s.room_temperature_C is None or s.reference_temperature_C is None:
            return self.unknown(name, "room or reference temperature is not stated")
        shift = abs(s.room_temperature_C - s.reference_temperature_C)
        percent = s.reference_temperature_coefficient_pct_per_K * shift
        return self.relative(name, percent, f"{percent:.3g} % for {shift:g} K", "")

    def scatter(self) -> tuple[Component, ...]:
        series = iso_series(self.loads)
        if isinstance(series, str):
            return self.plain_scatter(series)
        pair = (series.x2.at - series.x1.at) * self.kN_per_reading
        rotated = np.vstack([series.x1.at, *(branch.at for branch in series.rotated)])
        n = len(rotated)
        spread = np.std(rotated, axis=0, ddof=1) * self.kN_per_reading
        upper = np.abs(self.loads.levels) >= 0.5 * self.loads.largest
        force = np.abs(self.loads.levels) * self.loads.readings.kN_per_unit
        share = float(np.sqrt(np.mean((spread / force)[upper] ** 2)))
        return (
            self.component(
                "repeatability",
                float(np.sqrt(np.mean(pair**2) / 2.0)),
                "two series at one position, pooled over forces",
                dof=float(len(pair)), evaluation="A", distribution="normal",
            ),
            self.component(
                "reproducibility",
                share * self.grid,
                f"{n} positions; one mounting differs by as much as one position from another",
                dof=float(n - 1), evaluation="A", distribution="normal",
            ),
        )  # fmt: skip

    def plain_scatter(self, reason: str) -> tuple[Component, ...]:
        return (
            self.component(
                "repeatability",
                self.curve.residual_sd,
                "scatter of single readings about the curve",
                dof=float(self.curve.dof), evaluation="A", distribution="normal",
            ),
            self.unknown("reproducibility", reason),
        )  # fmt: skip

    def curve_error(self) -> Component:
        loads = self.loads
        sign = np.sign(loads.mean_at_levels()[-1])
        at = sign * self.grid / self.kN_per_reading
        error = self.curve.standard_error_at(at)
        means = loads.mean_at_levels()
        known = ~np.isnan(means)
        misfit = (
            self.curve.predict(means[known]) - loads.levels[known] * loads.readings.kN_per_unit
        )
        structured = not isinstance(iso_series(loads), str)
        bias = float(np.sqrt(np.mean(misfit**2))) if structured else 0.0
        return self.component(
            "interpolation",
            np.hypot(error, bias),
            "standard error of the curve"
            + (", and root mean square distance of the means from it" if structured else ""),
            dof=float(self.curve.dof), evaluation="A", distribution="normal",
        )  # fmt: skip

    def resolution(self) -> Component:
        r = self.number("resolution")
        if r is None:
            return self.unknown("resolution", self.figures["resolution"].reason)
        return self.component(
            "resolution", r / math.sqrt(6.0), f"r = {r:.4g} kN, in the reading and in the zero"
        )

    def zero(self, extrapolated_sd: float | None) -> Component:
        if extrapolated_sd is not None:
            return self.component(
                "zero", extrapolated_sd * self.kN_per_reading,
                "zero not read: standard error of the curve's constant term",
                dof=float(self.curve.dof), evaluation="A", distribution="normal",
            )  # fmt: skip
        change = self.loads.zero_after - self.loads.zero_before
        known = change[~np.isnan(change)]
        if not self.loads.has_zero or len(known) == 0:
            return self.unknown("zero", self.figures["zero_return"].reason)
        rms = float(np.sqrt(np.mean(known**2))) * self.kN_per_reading
        return self.component(
            "zero", rms, "root mean square change of zero over a series",
            dof=float(len(known)), evaluation="A", distribution="normal",
        )  # fmt: skip

    def reversibility(self) -> Component:
        figure = self.figures["hysteresis"]
        if not isinstance(figure.value, float):
            return self.unknown("reversibility", figure.reason)
        # The curve runs between rising and falling readings: half the loop either way.
        half = abs(figure.value) / 200.0 * self.grid[-1]
        basis = f"half the loop of {abs(figure.value):.3g} % of full scale"
        if self.settings.element in FRICTION:
            return self.component("reversibility", rectangular(half), basis + ", friction")
        share = self.grid / self.grid[-1]
        # The loop closes at the ends; near zero a part of it may remain.
        loop = np.maximum(2.0 * np.sqrt(share * (1.0 - share)), 0.1)
        return self.component("reversibility", rectangular(half) * loop, basis)

    def creep(self) -> Component:
        return self.relative(
            "creep", self.number("creep"), "change from 30 s to 300 s",
            self.figures["creep"].reason,
        )  # fmt: skip

    def temperature(self) -> tuple[Component, Component]:
        s = self.settings
        zero, span = (self.number(f"temperature_effect_{part}") for part in ("zero", "span"))
        names = ("temperature on zero", "temperature on span")
        if s.service_temperature_C is None:
            why = "the temperatures of service are not stated"
            return self.unknown(names[0], why), self.unknown(names[1], why)
        room = s.room_temperature_C if s.room_temperature_C is not None else 20.0
        away = max(abs(t - room) for t in s.service_temperature_C)
        basis = f"up to {away:g} K from the bench"
        first = (
            self.unknown(names[0], self.figures["temperature_effect_zero"].reason)
            if zero is None
            else self.component(
                names[0], rectangular(abs(zero) / 100.0 * away) * self.grid[-1], basis
            )
        )
        percent = None if span is None else span * away
        why = self.figures["temperature_effect_span"].reason
        return first, self.relative(names[1], percent, basis, why)

    def stability(self) -> Component:
        percent = self.settings.stability_pct
        return self.relative(
            "long-term stability",
            percent,
            f"{percent} % between calibrations, as stated",
            "no change between calibrations is stated",
        )
