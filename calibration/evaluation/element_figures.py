"""Figures particular to an element: capsule, draft spring, strain-gauged coupler.

All elements go down the same road: force is a polynomial of the deflection, found on the
bench. What the polynomial means differs, and is stated here, so that a person can hold it
against the drawing: the effective area of an oil-filled capsule, the rate and preload of a
draft spring, the force a shunt resistor stands for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.figures.figure import Figure
from calibration.statistics.polynomial_fit import PolynomialFit, t_quantile

if TYPE_CHECKING:
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries

__all__ = ["Friction", "element_figures", "friction"]

_SOURCE: Final = "common practice; statics of the element"


@dataclass(frozen=True, slots=True)
class Friction:
    """Half the difference between falling and rising force at one deflection."""

    constant_kN: float
    """At no load."""
    proportional: float
    """kN for each kN of force."""
    standard_errors: tuple[float, float]


def friction(loads: LoadSeries, curve: PolynomialFit) -> Friction | str:
    """Friction from readings taken rising and falling: ``F − F(d) = ±(f₀ + f₁ |F|)``.

    Rising force must overcome friction before the element deflects, falling force is held up
    by it: the sign is that of the direction. Least squares without a constant; returns a
    reason in words when it cannot be found. ``curve`` is kN from deflection.
    """
    moving = loads.direction != 0
    if np.count_nonzero(loads.direction > 0) < 2 or np.count_nonzero(loads.direction < 0) < 2:
        return "at least two rising and two falling readings are needed"
    force = loads.force[moving] * loads.readings.kN_per_unit
    sign = loads.direction[moving] * loads.sense
    left = force - curve.predict(loads.deflection[moving])
    scale = float(np.max(np.abs(force)))
    design = np.column_stack((sign, sign * np.abs(force) / scale))
    solution, _, rank, _ = np.linalg.lstsq(design, left, rcond=None)
    if rank < 2 or len(left) <= 2:
        return "falling readings at two different forces are needed"
    residual = left - design @ solution
    variance = float(residual @ residual) / (len(left) - 2)
    errors = np.sqrt(np.diag(np.linalg.inv(design.T @ design)) * variance)
    return Friction(
        float(solution[0]),
        float(solution[1]) / scale,
        (float(errors[0]), float(errors[1]) / scale),
    )


def element_figures(
    loads: LoadSeries,
    *,
    working: PolynomialFit,
    free: PolynomialFit,
    settings: BenchSettings,
) -> list[Figure]:
    """The figures of the element named in the settings; empty for a plain cell.

    Parameters
    ----------
    working : kN from deflection, through zero
    free : force (own unit) from deflection, with a constant term
    """
    if settings.element == "capsule":
        return [
            _effective_area(working, settings),
            _diaphragm(loads, working),
            *_friction_figures(loads, working),
        ]
    if settings.element == "draft spring":
        return [
            _spring_rate(working, settings),
            _preload(loads, free),
            *_friction_figures(loads, working),
        ]
    if settings.element == "strain-gauged coupler":
        return [_shunt_force(working, settings)]
    return []


def _effective_area(working: PolynomialFit, settings: BenchSettings) -> Figure:
    """``A = c₁ / (pressure per reading)``: force over pressure at small pressures."""
    figure = Figure(
        name="effective_area",
        value=None,
        unit="m2",
        formula="linear coefficient of force over pressure per unit of reading",
        source=_SOURCE,
    )
    pascal = settings.transmitter_Pa_per_reading
    if pascal is None:
        return figure.without("the pressure for one unit of reading is not stated")
    area, error = (
        1000.0 * float(values[1]) / pascal
        for values in (working.coefficients, working.standard_errors)
    )
    return _with(figure, area, {"standard_error": abs(error)})


def _diaphragm(loads: LoadSeries, working: PolynomialFit) -> Figure:
    """Share of the force at full scale that is not pressure times area."""
    figure = Figure(
        name="diaphragm_term",
        value=None,
        unit="% of full-scale force",
        formula="100 (F(X_N) - c_1 X_N) / F(X_N)",
        source=_SOURCE,
    )
    if working.degree < 2:
        return figure.without("the curve is a straight line: no diaphragm term was found")
    full = float(loads.mean_at_levels()[-1])
    force = float(working.predict(full))
    return _with(figure, 100.0 * (force - float(working.coefficients[1]) * full) / force, {})


def _friction_figures(loads: LoadSeries, working: PolynomialFit) -> list[Figure]:
    figures = [
        Figure(name=name, value=None, unit=unit, formula=formula, source=_SOURCE)
        for name, unit, formula in (
            ("friction_constant", "kN", "f_0 of F - F(d) = ±(f_0 + f_1 F)"),
            ("friction_proportional", "kN/kN", "f_1 of F - F(d) = ±(f_0 + f_1 F)"),
        )
    ]
    found = friction(loads, working)
    if isinstance(found, str):
        return [figure.without(found) for figure in figures]
    values = (found.constant_kN, found.proportional)
    return [
        _with(figure, value, {"standard_error": error})
        for figure, value, error in zip(figures, values, found.standard_errors, strict=True)
    ]


def _spring_rate(working: PolynomialFit, settings: BenchSettings) -> Figure:
    figure = Figure(
        name="spring_rate",
        value=None,
        unit="kN/mm",
        formula="linear coefficient of force over displacement per unit of reading",
        source=_SOURCE,
    )
    metre = settings.transducer_m_per_reading
    if metre is None:
        return figure.without("the displacement for one unit of reading is not stated")
    rate, error = (
        float(values[1]) / (1000.0 * metre)
        for values in (working.coefficients, working.standard_errors)
    )
    return _with(figure, rate, {"standard_error": abs(error)})


def _preload(loads: LoadSeries, free: PolynomialFit) -> Figure:
    """Force at which the spring begins to move: the constant term of force from deflection."""
    figure = Figure(
        name="preload",
        value=None,
        unit="kN",
        formula="constant term of force from deflection; below it the spring does not move",
        source=_SOURCE,
    )
    if not loads.has_zero:
        return figure.without("no zero was read")
    kN = loads.readings.kN_per_unit
    value, error = float(free.coefficients[0]) * kN, float(free.standard_errors[0]) * kN
    return _with(figure, value, {"standard_error": error})


def preload_matters(figure: Figure, full_kN: float, dof: int) -> bool:
    """Whether a preload is both significant against zero and larger than 0.5 % of full scale."""
    if not isinstance(figure.value, float):
        return False
    error = float(figure.detail.get("standard_error", math.inf))
    return abs(figure.value) > max(t_quantile(dof) * error, 0.005 * full_kN)


def _shunt_force(working: PolynomialFit, settings: BenchSettings) -> Figure:
    figure = Figure(
        name="shunt_equivalent_force",
        value=None,
        unit="kN",
        formula="force the curve gives for the deflection of the shunt resistor",
        source=_SOURCE,
    )
    if settings.shunt_deflection is None:
        return figure.without("no shunt reading is stated")
    if abs(settings.shunt_deflection) > 1.1 * max(abs(working.x_low), abs(working.x_high)):
        return figure.without("the shunt deflection lies beyond the calibrated range")
    return _with(figure, float(working.predict(settings.shunt_deflection)), {})


def _with(figure: Figure, value: float, detail: dict[str, float]) -> Figure:
    return Figure(
        name=figure.name,
        value=value,
        unit=figure.unit,
        formula=figure.formula,
        source=figure.source,
        detail=dict(detail),
    )
