"""Figures particular to an element: capsule, draft spring, strain-gauged coupler.

All elements go down the same road: force is a polynomial of the deflection, found on the
bench. What the polynomial means differs, and is stated here, so that a person can hold it
against the drawing: the effective area of an oil-filled capsule, the rate and preload of a
draft spring, the force a shunt resistor stands for.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.elements.half_difference import (
    MIN_FORCES,
    Estimate,
    HalfDifference,
    half_difference,
)
from calibration.figures.figure import Figure
from calibration.quantities.units import UNITS, UnitError, factor, find_unit, quantity_of
from calibration.readings.readings import ReadingsError
from calibration.statistics.polynomial_fit import PolynomialFit, fit_polynomial, t_quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.budget.half_loop import FrictionLoop
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries

__all__ = [
    "MOVED",
    "ElementLaw",
    "element_cautions",
    "element_figures",
    "element_law",
    "with_shunt_uncertainty",
]

_SOURCE: Final = "from experience; statics of the element"
PRELOAD_SHARE: Final = 0.005
"""Of the largest force: a preload below it is scatter or a zero that shifted."""
MOVED: Final = 0.02
"""Share of the largest deflection below which a spring may still be held by its preload."""
AREA_LIMIT_PCT: Final = 5.0
"""Effective against stated area: a diaphragm's is a few per cent off its drawing (common
practice); psi taken for kPa is 590 % off."""
UNIT_TOLERANCE: Final = 1e-3
"""A rounded factor of a unit is the unit's; another unit's is farther off."""


def element_figures(
    loads: LoadSeries,
    *,
    working: PolynomialFit,
    settings: BenchSettings,
) -> list[Figure]:
    """The figures of the element named in the settings; empty for a plain cell.

    Parameters
    ----------
    working : kN from deflection, through zero
    """
    if settings.element == "capsule":
        found = half_difference(loads)
        return [
            _gain_figure(AREA, loads, found, working, settings),
            _diaphragm(loads, found),
            *_friction_figures(found),
        ]
    if settings.element == "draft spring":
        found = half_difference(loads, moved=MOVED)
        return [
            _gain_figure(RATE, loads, found, working, settings),
            _preload(loads, found),
            *_friction_figures(found),
        ]
    if settings.element == "strain-gauged coupler":
        return [_shunt_force(working, settings)]
    return []


@dataclass(frozen=True, slots=True, kw_only=True)
class ElementLaw:
    """What an element held by friction or preload asks of the curve."""

    friction: FrictionLoop | None = None
    preload_kN: float = 0.0
    moved: LoadSeries | None = None
    """The readings at which a preloaded spring had moved; None: all."""
    bent: bool = True
    """Whether a curve of more than one term is called for; a cell's may always be."""


def element_law(loads: LoadSeries, settings: BenchSettings) -> ElementLaw:
    """The law of one sense; that of a plain cell asks nothing."""
    if settings.element == "capsule":
        found = half_difference(loads)
        if isinstance(found, str):
            return ElementLaw()
        return ElementLaw(friction=found.friction_loop, bent=found.bent)
    if settings.element == "draft spring":
        return _spring_law(loads)
    return ElementLaw()


def _spring_law(loads: LoadSeries) -> ElementLaw:
    """A preload that is more than scatter, and friction where both ways were taken."""
    moved = loads.beyond(MOVED * loads.full_scale)
    found = half_difference(loads, moved=MOVED)
    law = ElementLaw()
    if isinstance(found, HalfDifference):
        law = ElementLaw(friction=found.friction_loop, bent=found.bent)
    preload = _preload_of(loads, found)
    full_kN = loads.largest * loads.readings.kN_per_unit
    if preload is None or preload.value <= max(preload.U, PRELOAD_SHARE * full_kN):
        return law
    return replace(law, preload_kN=preload.value, moved=moved)


def _preload_of(loads: LoadSeries, found: HalfDifference | str) -> Estimate | None:
    """Force at no deflection, kN, from the readings that moved; friction in it where taken one
    way. None: too few forces moved it."""
    if isinstance(found, HalfDifference):
        return found.force_line.constant
    moved = loads.beyond(MOVED * loads.full_scale)
    if len(moved.levels) < MIN_FORCES:
        return None
    force = np.abs(moved.force) * loads.readings.kN_per_unit
    line = fit_polynomial(np.abs(moved.deflection), force, 1)
    error = float(line.standard_errors[0])
    return Estimate(float(line.coefficients[0]), error, t_quantile(line.dof) * error)


def element_cautions(
    name: str, figures: Sequence[Figure], settings: BenchSettings
) -> list[str]:
    """What the figures of the element say against it, in words; ``name`` of the sense."""
    by_name = {figure.name: figure for figure in figures}
    found = []
    area, nominal = by_name.get("effective_area"), settings.nominal_area_m2
    if area is not None and isinstance(area.value, float) and nominal is not None:
        off = 100.0 * (area.value / nominal - 1.0)
        if abs(off) > AREA_LIMIT_PCT:
            found.append(
                f"{name}: the effective area is {area.value:.5g} m², {off:+.1f} % from the"
                f" {nominal:.5g} m² stated: check the drawing and the unit of pressure"
            )
    friction = by_name.get("friction_constant")
    if (
        friction is not None
        and isinstance(friction.value, float)
        and friction.value < -float(friction.detail["U"])
    ):
        found.append(
            f"{name}: falling readings stand below rising ones: friction cannot do that;"
            " check the directions in the table"
        )
    return found


def _per_reading(
    loads: LoadSeries, quantity: str, stated: float | None, gain: _Gain
) -> float | str:
    """SI units of the element's quantity in one unit of reading, or why it is not known.

    Raises
    ------
    ReadingsError
        The column of the readings says a unit that is of another quantity, or that
        contradicts what is stated.
    """
    unit = loads.readings.reading_unit
    if unit not in UNITS:  # capitals: kpa in the name of the column is kPa
        with contextlib.suppress(UnitError):
            unit = find_unit(unit, quantity=quantity).name
    if unit not in UNITS:
        word = f"the {gain.word} for one unit of reading is not stated"
        return word if stated is None else stated
    where = f"{loads.readings.source}: column reading_{unit}"
    if quantity_of(unit) != quantity:
        msg = f"{where}: {unit} is no unit of {quantity}, which this element shows"
        raise ReadingsError(msg)
    size = float(factor(unit))
    if stated is not None and not math.isclose(stated, size, rel_tol=UNIT_TOLERANCE):
        msg = (
            f"{where}: one {unit} is {size:g} in SI, but {gain.setting} is {stated:g}: leave it"
            " out, or name the column for the unit that was read"
        )
        raise ReadingsError(msg)
    return size


@dataclass(frozen=True, slots=True)
class _Gain:
    """The figure that force over the half sum of what the element shows gives."""

    name: str
    unit: str
    shows: str
    """Quantity in ``calibration.quantities.units``."""
    word: str
    setting: str
    per_kN: float
    """Of the figure's unit in one kN for one SI unit of the quantity."""


AREA: Final = _Gain(
    "effective_area", "m2", "pressure", "pressure", "transmitter_Pa_per_reading", 1000.0
)
RATE: Final = _Gain(
    "spring_rate", "kN/mm", "length", "displacement", "transducer_m_per_reading", 0.001
)


def _gain_figure(
    gain: _Gain,
    loads: LoadSeries,
    found: HalfDifference | str,
    working: PolynomialFit,
    settings: BenchSettings,
) -> Figure:
    """``A = G / (pressure per reading)``, or a spring's rate from its displacement alike."""
    figure = Figure(
        name=gain.name,
        value=None,
        unit=gain.unit,
        formula=f"force over the half sum of rising and falling {gain.word}, at small forces",
        source=_SOURCE,
    )
    each = _per_reading(loads, gain.shows, getattr(settings, gain.setting), gain)
    if isinstance(each, str):
        return figure.without(each)
    size = gain.per_kN / abs(each)
    if isinstance(found, str):
        return _one_way(figure, working, size, found)
    return _scaled(figure, found.gain, size)


def _one_way(figure: Figure, working: PolynomialFit, size: float, why: str) -> Figure:
    """From readings one way, friction in it; said."""
    return replace(
        figure,
        value=abs(float(working.coefficients[1])) * size,
        detail={"standard_error": abs(float(working.standard_errors[1])) * size},
        reason=f"friction is in it: {why}",
    )


def _scaled(figure: Figure, found: Estimate, size: float) -> Figure:
    detail = {name: value * size for name, value in found.detail().items()}
    return replace(figure, value=found.value * size, detail=detail)


def _diaphragm(loads: LoadSeries, found: HalfDifference | str) -> Figure:
    """Share of the force at full scale that is not pressure times area."""
    figure = Figure(
        name="diaphragm_term",
        value=None,
        unit="% of full-scale force",
        formula="100 c_2 X_N^2 / F(X_N), c_2 of force from the half sum",
        source=_SOURCE,
    )
    if isinstance(found, str):
        return figure.without(found)
    if not found.bent:
        return figure.without("the line is straight within its scatter: no diaphragm term")
    full_kN = loads.largest * loads.readings.kN_per_unit
    return _scaled(figure, found.bend, 100.0 * loads.full_scale**2 / full_kN)


def _friction_figures(found: HalfDifference | str) -> list[Figure]:
    figures = [
        Figure(name=name, value=None, unit=unit, formula=formula, source=_SOURCE)
        for name, unit, formula in (
            ("friction_constant", "kN", "f_0 of G (x_down - x_up)/2 = f_0 + f_1 F"),
            ("friction_proportional", "kN/kN", "f_1 of G (x_down - x_up)/2 = f_0 + f_1 F"),
        )
    ]
    if isinstance(found, str):
        return [figure.without(found) for figure in figures]
    parts = (found.friction.constant, found.friction.slope)
    return [_scaled(figure, part, 1.0) for figure, part in zip(figures, parts, strict=True)]


def _preload(loads: LoadSeries, found: HalfDifference | str) -> Figure:
    """Force at which the spring begins to move, between rising and falling."""
    figure = Figure(
        name="preload",
        value=None,
        unit="kN",
        formula="constant term of force from deflection; below it the spring does not move",
        source=_SOURCE,
    )
    preload = _preload_of(loads, found)
    if preload is None:
        return figure.without(f"fewer than {MIN_FORCES} forces moved the spring")
    reasons = [] if loads.has_zero else ["no zero was read"]
    if isinstance(found, str):
        reasons.append(f"friction is in it: {found}")
    return replace(_scaled(figure, preload, 1.0), reason="; ".join(reasons))


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
    at = settings.shunt_deflection
    return replace(figure, value=float(working.predict(at)))


def with_shunt_uncertainty(
    figures: Sequence[Figure], force_kN: NDArray[np.float64], expanded_kN: NDArray[np.float64]
) -> tuple[Figure, ...]:
    """The figures, with U of the force a shunt stands for: the budget's at that force.

    ``force_kN``, ``expanded_kN`` (m,) are the budget's table. A shunt stands for a force no
    better than the cell measures one.
    """
    found = []
    for figure in figures:
        if figure.name == "shunt_equivalent_force" and isinstance(figure.value, float):
            U = float(np.interp(abs(figure.value), force_kN, expanded_kN))
            found.append(replace(figure, detail={"U": U if math.isfinite(U) else None}))
        else:
            found.append(figure)
    return tuple(found)
