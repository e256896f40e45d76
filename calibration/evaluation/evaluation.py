"""From bench readings to curves, figures and budget: everything a certificate rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.budget.force_budget import BudgetFigures, ForceBudget, force_budget
from calibration.budget.half_loop import half_loop, level_means
from calibration.budget.stated_lines import MeasuredEffect
from calibration.budget.working_curve import WorkingCurve, working_curve
from calibration.certificates.force_curve import Preload
from calibration.doubts.doubtful_rows import doubt_cautions, doubtful_rows
from calibration.doubts.outside_rows import outside_doubts
from calibration.elements.element_figures import (
    MOVED,
    element_cautions,
    element_figures,
    element_law,
    with_shunt_uncertainty,
)
from calibration.evaluation.bounds import far_off, resolution_of
from calibration.evaluation.stated_cautions import stated_cautions
from calibration.figures import load_cell_figures as fig
from calibration.figures.astm_e74 import DegreeChoice, choose_degree, curve_rows, e74_figures
from calibration.figures.iso376_figures import iso_figures
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.load_series import LoadSeries, load_series, senses
from calibration.readings.reading_doubts import cautions_when_taken
from calibration.readings.readings import Readings, ReadingsError
from calibration.statistics.polynomial_fit import (
    FitError,
    LackOfFit,
    PolynomialFit,
    fit_polynomial,
    invert,
    is_monotone,
    lack_of_fit,
)

if TYPE_CHECKING:
    from calibration.doubts.doubt import Doubt
    from calibration.figures.figure import Figure

__all__ = ["Evaluation", "InverseCheck", "SenseEvaluation", "evaluate"]

SENSE_NAMES: Final = {1: "tension", -1: "compression"}


@dataclass(frozen=True, slots=True, kw_only=True)
class InverseCheck:
    """Whether the two directions of the curve agree; forces in the file's unit."""

    round_trip: float | None
    """Largest error of force → deflection → force by the root of the one curve."""
    direction_difference: float | None
    """Largest distance between that root and the curve fitted the other way."""
    limit: float
    """2.4 standard deviations of the fit, as force."""
    reason: str = ""

    @property
    def agrees(self) -> bool:
        return (
            self.round_trip is not None
            and self.direction_difference is not None
            and self.round_trip <= 1e-9 + 1e-6 * self.limit
            and self.direction_difference <= max(self.limit, 1e-9)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SenseEvaluation:
    """One sense of loading. Curves are in the file's own units but for ``working``."""

    loads: LoadSeries
    """As read: where no zero was read, what belongs to one is left unassessed."""
    zeroed: LoadSeries
    """The same with ``zero`` taken off where none was read: what the curve for use takes."""
    choice: DegreeChoice
    degree: int
    raw: PolynomialFit
    """Reading as indicated from applied force, zeros included."""
    deflection_from_force: PolynomialFit
    force_from_deflection: PolynomialFit
    working: PolynomialFit
    """Force in kN from deflection, through zero, midway between rising and falling: what goes
    into the certificate."""
    preload: Preload | None
    """Of a spring: comes on top of ``working`` once it has moved."""
    zero: float
    """Reading at no force: mean of the zeros, or the curve's constant where none was read."""
    lack_of_fit: LackOfFit | str
    inverse: InverseCheck
    figures: tuple[Figure, ...]
    budget: ForceBudget

    @property
    def name(self) -> str:
        return SENSE_NAMES[self.loads.sense]

    def figure(self, name: str) -> Figure:
        """A figure by name; raises ``KeyError``."""
        return {figure.name: figure for figure in self.figures}[name]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """All senses of one set of readings."""

    readings: Readings
    settings: BenchSettings
    senses: tuple[SenseEvaluation, ...]
    """Tension first; one or two."""
    doubts: tuple[Doubt, ...]
    """About rows: by the readings alone, and by the uncertainty that rests on them."""
    cautions: tuple[str, ...]


def evaluate(readings: Readings, settings: BenchSettings) -> Evaluation:
    """Fit and figure everything.

    Raises
    ------
    ReadingsError
        The readings cannot carry a fit; one line with the source.
    """
    try:
        parts = tuple(
            _sense(load_series(readings, s), readings, settings) for s in senses(readings)
        )
    except FitError as error:
        msg = f"{readings.source}{far_off(readings) or f': {error}'}"
        raise ReadingsError(msg) from error
    doubts = _doubts(readings, parts)
    return Evaluation(
        readings=readings,
        settings=settings,
        senses=parts,
        doubts=doubts,
        cautions=_cautions(readings, settings, parts, doubts),
    )


def _doubts(readings: Readings, parts: tuple[SenseEvaluation, ...]) -> tuple[Doubt, ...]:
    found = doubtful_rows(readings)
    named = {row for doubt in found for row in doubt.rows}
    outside = [doubt for part in parts for doubt in _outside(part, named)]
    return (*found, *outside)


def _outside(part: SenseEvaluation, named: set[int]) -> list[Doubt]:
    """A preloaded spring's readings before it moved tell no force."""
    loads, budget = part.loads, part.budget
    r = loads.readings
    deflection = loads.deflection - (0.0 if loads.has_zero else part.zero)
    p = part.preload
    least, preload = (p.held_counts, p.force_kN) if p else (0.0, 0.0)
    moved = np.abs(deflection) >= least
    force = loads.force[moved] * r.kN_per_unit
    away = part.working.predict(deflection[moved]) + loads.sense * preload - force
    expanded = np.interp(np.abs(force), budget.force_kN, budget.expanded_kN)
    steps = r.pick((r.applied != 0.0) & ~r.held).pick(moved)
    return outside_doubts(steps, away, expanded, named)


def _sense(loads: LoadSeries, readings: Readings, settings: BenchSettings) -> SenseEvaluation:
    step = resolution_of(loads, settings)
    means = loads.mean_at_levels(curve_rows(loads))
    taken = ~np.isnan(means)
    counts = None if step is None else loads.full_scale / step
    choice = choose_degree(loads.levels[taken], means[taken], resolution_counts=counts)
    degree = choice.degree if settings.degree is None else settings.degree
    raw = fit_polynomial(loads.raw_force, loads.raw_reading, degree)
    zero = float(np.mean(loads.zeros)) if loads.has_zero else float(raw.coefficients[0])
    zeroed = load_series(readings, loads.sense, unread_zero=zero)
    to_deflection = fit_polynomial(loads.force, loads.deflection, degree)
    to_force = fit_polynomial(loads.deflection, loads.force, degree)
    curve, moved = _curve(zeroed, settings)
    working = curve.fit
    figures = _figures(loads, moved, to_deflection, working, readings, settings, step)
    budget = force_budget(moved, curve, _budget_figures(loads, raw, figures), settings)
    return SenseEvaluation(
        loads=loads,
        zeroed=zeroed,
        choice=choice,
        degree=degree,
        raw=raw,
        deflection_from_force=to_deflection,
        force_from_deflection=to_force,
        working=working,
        preload=_preload(zeroed, curve),
        zero=zero,
        lack_of_fit=lack_of_fit(loads.force, loads.deflection, to_deflection),
        inverse=_inverse_check(loads, to_deflection, to_force),
        figures=with_shunt_uncertainty(figures, budget.force_kN, budget.expanded_kN),
        budget=budget,
    )


def _curve(loads: LoadSeries, settings: BenchSettings) -> tuple[WorkingCurve, LoadSeries]:
    """The curve, and the readings it stands on: of a preloaded spring those that moved.

    The inverse of a bent curve may need a term more than the curve: the larger degree.
    """
    law = element_law(loads, settings)
    loads = loads if law.moved is None else law.moved
    loop = half_loop(loads, law.friction)
    if settings.degree is not None:
        return working_curve(loads, loop, settings.degree, law.preload_kN), loads
    degree = 1
    if law.bent:
        means = level_means(loads, loop.taken_out(loads))
        force = loads.levels - loads.sense * law.preload_kN / loads.readings.kN_per_unit
        degree = max(
            choose_degree(x, y, resolution_counts=None).degree
            for x, y in ((force, means), (means, force))
        )
    return working_curve(loads, loop, degree, law.preload_kN), loads


def _preload(loads: LoadSeries, curve: WorkingCurve) -> Preload | None:
    if not curve.preload_kN:
        return None
    return Preload(curve.preload_kN, MOVED * loads.full_scale)


def _budget_figures(
    loads: LoadSeries, raw: PolynomialFit, figures: tuple[Figure, ...]
) -> BudgetFigures:
    named = {figure.name: figure for figure in figures}
    resolution = named["resolution"]

    def effect(name: str) -> MeasuredEffect:
        figure = named[name]
        if not isinstance(figure.value, float):
            return MeasuredEffect(None, reason=figure.reason)
        return MeasuredEffect(figure.value, float(figure.detail.get("standard_error", 0.0)))

    return BudgetFigures(
        resolution_kN=resolution.value if isinstance(resolution.value, float) else None,
        resolution_reason=resolution.reason,
        creep=effect("creep"),
        temperature_zero=effect("temperature_effect_zero"),
        temperature_span=effect("temperature_effect_span"),
        unread_zero_sd=None if loads.has_zero else float(raw.standard_errors[0]),
    )


def _figures(
    loads: LoadSeries,
    zeroed: LoadSeries,
    to_deflection: PolynomialFit,
    working: PolynomialFit,
    readings: Readings,
    settings: BenchSettings,
    step: float | None,
) -> tuple[Figure, ...]:
    per_reading = loads.largest * loads.readings.kN_per_unit / zeroed.full_scale
    resolution = fig.resolution(loads, step, per_reading)
    unloaded = fig.resolution_unloaded(loads, step, per_reading)
    r_kN = unloaded.value if isinstance(unloaded.value, float) else None
    creep = fig.creep(loads)
    return (
        fig.zero_return(loads),
        fig.nonlinearity_terminal(loads),
        fig.nonlinearity_best_fit(loads),
        fig.hysteresis(loads),
        *iso_figures(
            loads,
            degree=to_deflection.degree,
            creep_pct=creep.value if isinstance(creep.value, float) else None,
            resolution_kN=r_kN,
            readings=readings,
            settings=settings,
        ),
        fig.replication_sd(loads),
        fig.interpolation_error(loads, to_deflection),
        creep,
        fig.temperature_effect_zero(loads),
        fig.temperature_effect_span(loads, to_deflection),
        resolution,
        unloaded,
        *e74_figures(
            loads, to_deflection, readings=readings, settings=settings, resolution_kN=r_kN
        ),
        *element_figures(zeroed, working=working, settings=settings),
    )


def _inverse_check(
    loads: LoadSeries, to_deflection: PolynomialFit, to_force: PolynomialFit
) -> InverseCheck:
    low, high = sorted((float(loads.levels[0]), float(loads.levels[-1])))
    slope = abs(float(np.mean(to_deflection.slope(loads.levels))))
    limit = 2.4 * to_deflection.residual_sd / slope if slope > 0.0 else 0.0
    # The arithmetic itself is good to about this much of the largest force.
    limit = max(limit, 1e-9 * loads.largest)
    try:
        deflection = to_deflection.predict(loads.levels)
        root = invert(to_deflection.coefficients, deflection, low, high)
    except FitError as error:
        return InverseCheck(
            round_trip=None, direction_difference=None, limit=limit, reason=str(error)
        )
    return InverseCheck(
        round_trip=float(np.max(np.abs(root - loads.levels))),
        direction_difference=float(np.max(np.abs(to_force.predict(deflection) - root))),
        limit=limit,
    )


def _cautions(
    readings: Readings,
    settings: BenchSettings,
    parts: tuple[SenseEvaluation, ...],
    doubts: tuple[Doubt, ...],
) -> tuple[str, ...]:
    found = doubt_cautions(readings, settings, doubts)
    largest = max(part.loads.largest * part.loads.readings.kN_per_unit for part in parts)
    found += stated_cautions(settings, largest)
    if not any(part.loads.has_zero for part in parts):
        found.append("no zero was read: the zero is extrapolated from the curve")
    found += [part.budget.refused for part in parts[:1] if part.budget.refused]
    for part in parts:
        found += _part_cautions(part, settings)
    found += _budget_cautions(parts)
    counted = readings.pick(~readings.superseded)
    found += cautions_when_taken(counted.doubts, counted.accepted_because, counted.row.tolist())
    superseded = int(np.count_nonzero(readings.superseded))
    if superseded:
        found.append(f"{superseded} reading(s) were taken again with a reason and not used")
    if len(parts) == 1:
        other = "compression" if parts[0].name == "tension" else "tension"
        found.append(f"{other} was not calibrated: such forces are outside the certificate")
    return tuple(found)


def _budget_cautions(parts: tuple[SenseEvaluation, ...]) -> list[str]:
    """Of what was not measured; once where it holds in every sense."""
    found: dict[str, None] = {}
    for part in parts:
        for caution in part.budget.cautions:
            shared = all(caution in other.budget.cautions for other in parts)
            found[caution if shared else f"{part.name}: {caution}"] = None
    return list(found)


def _part_cautions(part: SenseEvaluation, settings: BenchSettings) -> list[str]:
    found = []
    lack = part.lack_of_fit
    if isinstance(lack, LackOfFit) and lack.rejected:
        found.append(
            f"{part.name}: a curve of degree {part.degree} is rejected by the lack-of-fit test"
            f" (F = {lack.f:.3g}, p = {lack.p_value:.2g})"
        )
    if settings.degree is not None and settings.degree != part.choice.degree:
        found.append(
            f"{part.name}: degree {settings.degree} was asked for; the rule chooses"
            f" {part.choice.degree}"
        )
    deflection = np.append(part.zeroed.deflection, 0.0)
    low, high = float(np.min(deflection)), float(np.max(deflection))
    if not is_monotone(part.working.coefficients, low, high):
        found.append(f"{part.name}: the curve turns back inside its range")
    found += element_cautions(part.name, part.figures, settings)
    return found
