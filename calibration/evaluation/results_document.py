"""The results of a bench calibration as plain JSON: what ``bench fit --json`` prints.

Top level: ``file``, ``force_unit``, ``reading_unit``, ``n_readings``, ``n_used``, ``cautions``,
``by_sense`` (``tension``, ``compression``), and the whole of the first sense again, so that a
file loaded in one sense only is read without looking into ``by_sense``. Per sense:

``degree``, ``degree_choice``
    the degree used and why.
``coefficients``, ``standard_errors``, ``residual_sd``, ``degrees_of_freedom``, …
    ``reading = Σ coefficients[i] · applied**i`` in the file's own units, readings as indicated;
    the same under ``own_units``, and under ``si`` with force in kN.
``deflection_from_force``, ``force_from_deflection``
    both directions, zero taken off, each with ``own_units`` and ``si``.
``working_curve``
    force in kN from deflection through zero, midway between rising and falling: what a
    certificate carries.
``inverse_check``, ``lack_of_fit``
``figures``
    name → ``value`` (or null), ``unit``, ``reason``, ``formula``, ``source``, ``detail``.
``budget``
    components, combined and expanded uncertainty at 21 forces, in kN; ``refused`` says why
    there is no U.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from calibration.evaluation.evaluation import Evaluation, InverseCheck, SenseEvaluation
from calibration.statistics.polynomial_fit import PolynomialFit, t_quantile

__all__ = ["results_document"]


def results_document(evaluation: Evaluation) -> dict[str, Any]:
    """Everything worked out, as plain JSON values (no NaN, no infinity)."""
    readings = evaluation.readings
    by_sense = {part.name: _sense(part) for part in evaluation.senses}
    return {
        "file": readings.source,
        "force_unit": readings.force_unit,
        "reading_unit": readings.reading_unit,
        "n_readings": len(readings),
        "n_used": int(np.count_nonzero(readings.used)),
        "n_superseded": int(np.count_nonzero(readings.superseded)),
        "sense": evaluation.senses[0].name,
        "cautions": list(evaluation.cautions),
        **next(iter(by_sense.values())),
        "by_sense": by_sense,
    }


def _sense(part: SenseEvaluation) -> dict[str, Any]:
    loads = part.loads
    kN, force, reading = (
        loads.readings.kN_per_unit,
        loads.readings.force_unit,
        loads.readings.reading_unit,
    )
    own = _fit(part.raw, x_unit=force, y_unit=reading, x_scale=1.0, y_scale=1.0)
    si = _fit(part.raw, x_unit="kN", y_unit=reading, x_scale=kN, y_scale=1.0)
    slope = _mean_slope(part)
    if slope > 0.0:
        own["residual_sd_force"] = part.raw.residual_sd / slope
        si["residual_sd_force"] = part.raw.residual_sd / slope * kN
    return {
        "degree": part.degree,
        "degree_choice": {
            "rule": "ASTM E74: the term of degree m is kept when s(m-1)/s(m) > C(n1, m), by the"
            " mean rising deflections; by all where no direction is known",
            "degree": part.choice.degree,
            "steps": [asdict(step) for step in part.choice.steps],
            "reasons": list(part.choice.reasons),
        },
        "model": "reading = sum of coefficients[i] * applied**i",
        **own,
        "own_units": own,
        "si": si,
        **_both_directions(part),
        "working_curve": {
            "model": "force_kN = sum of coefficients[i] * (reading - zero)**i",
            "zero": part.zero,
            **({} if part.preload is None else {"preload": asdict(part.preload)}),
            **_fit(part.working, x_unit=reading, y_unit="kN", x_scale=1, y_scale=1),
        },
        "inverse_check": _inverse(part.inverse, force, kN),
        "lack_of_fit": _lack(part),
        "figures": {figure.name: figure.to_document() for figure in part.figures},
        "budget": part.budget.to_document(),
    }


def _both_directions(part: SenseEvaluation) -> dict[str, Any]:
    r = part.loads.readings
    kN, force, reading = r.kN_per_unit, r.force_unit, r.reading_unit
    there, back = part.deflection_from_force, part.force_from_deflection
    return {
        "deflection_from_force": {
            "model": "deflection = sum of coefficients[i] * force**i",
            "own_units": _fit(there, x_unit=force, y_unit=reading, x_scale=1, y_scale=1),
            "si": _fit(there, x_unit="kN", y_unit=reading, x_scale=kN, y_scale=1),
        },
        "force_from_deflection": {
            "model": "force = sum of coefficients[i] * deflection**i",
            "own_units": _fit(back, x_unit=reading, y_unit=force, x_scale=1, y_scale=1),
            "si": _fit(back, x_unit=reading, y_unit="kN", x_scale=1, y_scale=kN),
        },
    }


def _mean_slope(part: SenseEvaluation) -> float:
    return abs(float(np.mean(part.raw.slope(part.loads.levels))))


def _fit(
    fit: PolynomialFit, *, x_unit: str, y_unit: str, x_scale: float, y_scale: float
) -> dict[str, Any]:
    """One fit with x in units ``x_scale`` times larger and y ``y_scale`` times larger."""
    factors = y_scale / x_scale ** np.arange(fit.degree + 1)
    coefficients = fit.coefficients * factors
    errors = fit.standard_errors * factors
    t = t_quantile(fit.dof)
    return {
        "degree": fit.degree,
        "coefficients": coefficients.tolist(),
        "standard_errors": errors.tolist(),
        "confidence_95": [
            [float(c - t * e), float(c + t * e)]
            for c, e in zip(coefficients, errors, strict=True)
        ],
        "covariance": (fit.covariance * np.outer(factors, factors)).tolist(),
        "residual_sd": fit.residual_sd * y_scale,
        "residual_standard_deviation": fit.residual_sd * y_scale,
        "degrees_of_freedom": fit.dof,
        "n": fit.n,
        "residual_sum_of_squares": fit.residual_ss * y_scale**2,
        "regression_sum_of_squares": fit.regression_ss * y_scale**2,
        "r_squared": _finite(fit.r_squared),
        "f_statistic": _finite(fit.f_statistic),
        "units": {
            "x": x_unit,
            "y": y_unit,
            "coefficients": [_power(y_unit, x_unit, i) for i in range(fit.degree + 1)],
            "residual_sd": y_unit,
        },
    }


def _power(y_unit: str, x_unit: str, power: int) -> str:
    if power == 0:
        return y_unit
    return f"{y_unit}/{x_unit}" if power == 1 else f"{y_unit}/{x_unit}^{power}"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _inverse(check: InverseCheck, unit: str, kN: float) -> dict[str, Any]:
    return {
        "agrees": check.agrees,
        "unit": unit,
        "round_trip_error": check.round_trip,
        "direction_difference": check.direction_difference,
        "limit": check.limit,
        "limit_kN": check.limit * kN,
        "reason": check.reason or None,
    }


def _lack(part: SenseEvaluation) -> dict[str, Any]:
    lack = part.lack_of_fit
    if isinstance(lack, str):
        return {"f": None, "p_value": None, "rejected": None, "reason": lack}
    return {
        "f": lack.f,
        "dof_lack": lack.dof_lack,
        "dof_pure_error": lack.dof_pure,
        "p_value": lack.p_value,
        "pure_error_sd": lack.pure_error_sd,
        "pure_error_sum_of_squares": lack.pure_error_ss,
        "rejected": lack.rejected,
        "reason": None,
    }
