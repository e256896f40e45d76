"""ISO 376: the figures of one sense of loading, the curve they are judged on, and the class."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.figures.class_standard import expanded_pct
from calibration.figures.condition import Condition
from calibration.figures.figure import Figure
from calibration.figures.iso376 import (
    SOURCE,
    Equation,
    IsoErrors,
    Programme,
    iso_equation,
    iso_errors,
    iso_series,
)
from calibration.figures.iso376_class import Judged, decide_class
from calibration.figures.iso376_conditions import iso_conditions

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["iso_figures"]

_THROUGH: Final = "least squares through the mean rising deflections of the rotated series"
BOTH, RISING = "incremental and decremental", "incremental only"


def iso_figures(
    loads: LoadSeries,
    *,
    readings: Readings,
    settings: BenchSettings,
    degree: int,
    creep_pct: float | None,
    resolution_kN: float | None,
) -> list[Figure]:
    """Repeatability, reproducibility, interpolation, reversibility, the equation, the class.

    ``f_c = 100 (X̄ᵣ − X_a) / X_a`` with X_a on the equation, the one that is printed;
    ``f₀ = 100 (i_f − i₀) / X_N``.

    Parameters
    ----------
    readings : all that were taken, preloads and replaced readings as well
    degree : of the equation; 3 at most is used
    creep_pct : c, None where no creep was read
    resolution_kN : r of the unloaded indication, None where not known
    """
    series = iso_series(loads)
    if isinstance(series, str):
        return _partial(loads, series)
    errors = _errors(series)
    equation = iso_equation(loads.levels, errors.mean_rotated, degree=degree)
    table = {"b": errors.b, "b'": errors.b_prime, "fc": _interpolation(loads, errors, equation)}
    figures = [
        _figure("repeatability", "100 |X2 - X1| / X_wr, worst force", loads, errors.b_prime),
        _figure("reproducibility", "100 |X_max - X_min| / X_r, worst force", loads, errors.b),
        _figure(
            "iso376_interpolation", "100 (X_r - X_a) / X_a, worst force", loads, table["fc"]
        ),
        _figure(
            "reversibility", "(v1 + v2)/2, v1 = 100 |X4' - X3| / X3", loads, errors.v
        ),
        _equation_figure(loads, series, equation),
    ]  # fmt: skip
    case, told = _case(series, errors.v, creep_pct)
    if case == BOTH and errors.v is not None:
        # The largest force has no reading of its own on the way down.
        table["v"] = np.append(errors.v[:-1], 0.0)
    if creep_pct is not None:
        table["c"] = np.full(len(loads.levels), creep_pct)
    zero = _zero_error(loads)
    if zero is not None:
        table["f0"] = np.full(len(loads.levels), zero)
    conditions = [told, *iso_conditions(loads, series, readings, settings)]
    judged = _judged(loads, table, settings, resolution_kN, case)
    return [*figures, decide_class(_class_figure(), judged, conditions)]


def _judged(
    loads: LoadSeries,
    table: dict[str, NDArray[np.float64]],
    settings: BenchSettings,
    resolution_kN: float | None,
    case: str,
) -> Judged:
    force = np.abs(loads.levels) * loads.readings.kN_per_unit
    return Judged(
        force_kN=force,
        errors_pct=table,
        resolution_kN=resolution_kN,
        applied_U_pct=expanded_pct(settings),
        capacity_kN=max(float(force[-1]), settings.capacity_kN or 0.0),
        sense="tension" if loads.sense > 0 else "compression",
        case=case,
    )


def _errors(series: Programme) -> IsoErrors:
    falling = None
    pairs = [p for p in series.falling if not np.all(np.isnan(p[0].at))]
    if pairs:
        falling = (np.vstack([d.at for d, _ in pairs]), np.vstack([u.at for _, u in pairs]))
    rotated = np.vstack([branch.at for branch in series.rotated])
    return iso_errors(series.x1.at, series.x2.at, rotated, falling)


def _interpolation(
    loads: LoadSeries, errors: IsoErrors, equation: Equation | None
) -> NDArray[np.float64]:
    if equation is None:
        return np.full(len(loads.levels), np.nan)
    expected = equation.at(loads.levels)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(100.0 * (errors.mean_rotated - expected) / expected)


def _case(
    series: Programme,
    v: NDArray[np.float64] | None,
    creep_pct: float | None,
) -> tuple[str, Condition]:
    """Which case of the standard the readings allow, and whether they allow one."""
    whole = v is not None and len(series.falling) >= 2 and not np.any(np.isnan(v[:-1]))
    allowed = "falling series after both rotated rising ones, or creep at 30 s and 300 s"
    clause = "ISO 376:2011, 8.1, from memory"
    if whole:
        return BOTH, Condition.judged("case", BOTH, allowed, clause)
    if creep_pct is not None:
        return RISING, Condition.judged("case", f"{RISING}, with creep", allowed, clause)
    got = "neither falling series (reversibility) nor creep readings were taken"
    if v is not None:
        got = "falling readings lack a force or a position, and no creep was read"
    to_know = "take the falling series, or a hold at the largest force"
    return RISING, Condition.unknown("case", got, allowed, clause, to_know)


def _zero_error(loads: LoadSeries) -> float | None:
    change = loads.zero_after - loads.zero_before
    known = change[~np.isnan(change)]
    if not loads.has_zero or len(known) == 0:
        return None
    return float(100.0 * np.max(np.abs(known)) / loads.full_scale)


def _class_figure() -> Figure:
    return Figure(
        name="iso376_class",
        value=None,
        unit="class",
        formula="class whose limits of b, b', f_c, f_0, v or c, r, lowest force and applied force"
        " hold over the widest range, its conditions held",
        source=SOURCE,
    )


def _equation_figure(loads: LoadSeries, series: Programme, equation: Equation | None) -> Figure:
    figure = Figure(
        name="iso376_equation",
        value=None,
        unit="curve",
        formula=_THROUGH,
        source=SOURCE,
    )
    if equation is None:
        return figure.without("the curve would have as many coefficients as there are forces")
    r = loads.readings
    kN = r.kN_per_unit
    return replace(
        figure,
        value=f"degree {equation.degree}",
        detail={
            "model": "deflection = sum of coefficients[i] * force**i",
            "coefficients": list(equation.coefficients),
            "force_unit": r.force_unit,
            "deflection_unit": r.reading_unit,
            "coefficients_kN": [c / kN**i for i, c in enumerate(equation.coefficients)],
            "positions_deg": list(series.positions_deg),
            "low": float(loads.levels[0]),
            "high": float(loads.levels[-1]),
        },
    )


def _figure(
    name: str,
    formula: str,
    loads: LoadSeries,
    values: NDArray[np.float64] | None,
    why: str = "",
) -> Figure:
    figure = Figure(name=name, value=None, unit="% of reading", formula=formula, source=SOURCE)
    if values is None or np.all(np.isnan(values)):
        falling = name == "reversibility" and not any(
            branch.direction < 0 for branch in loads.branches
        )
        return figure.without("no falling series" if falling else why or "too few forces")
    known = np.where(np.isnan(values), 0.0, values)
    worst = float(known[np.argmax(np.abs(known))])
    detail = {
        "applied": loads.levels.tolist(),
        "pct": [None if math.isnan(v) else v for v in values.tolist()],
    }
    return replace(figure, value=worst, detail=detail)


def _partial(loads: LoadSeries, reason: str) -> list[Figure]:
    """What stands without the whole programme: repeatability and reversibility alone."""
    rising = [r for r in loads.branches if r.direction > 0]
    b_prime = v = None
    for i, first in enumerate(rising):
        for second in rising[i + 1 :]:
            if b_prime is None and first.place == second.place >= 0:
                b_prime = (
                    100.0 * np.abs(second.at - first.at) / np.abs(second.at + first.at) * 2.0
                )
    changes = [
        100.0 * np.abs((down.at - up.at) / up.at)
        for up in rising
        for down in loads.branches
        if down.direction < 0 and down.series == up.series
    ]
    if changes:
        v = np.mean(np.vstack(changes), axis=0)
    repeatability = _figure(
        "repeatability", "100 |X2 - X1| / X_wr, worst force", loads, b_prime, reason
    )
    reversibility = _figure(
        "reversibility",
        "mean of 100 |X_down - X_up| / X_up over series, worst force",
        loads,
        v,
        reason,
    )
    empty = (
        ("reproducibility", "100 |X_max - X_min| / X_r, worst force"),
        ("iso376_interpolation", "100 (X_r - X_a) / X_a, worst force"),
    )
    others = [_figure(name, formula, loads, None, reason) for name, formula in empty]
    return [repeatability, reversibility, *others, *_no_programme(reason)]


def _no_programme(reason: str) -> tuple[Figure, Figure]:
    """Neither equation nor class, and why."""
    equation = Figure(
        name="iso376_equation", value=None, unit="curve", formula=_THROUGH, source=SOURCE
    )
    told = Condition.unknown(
        "programme", reason, "two rising series at one position, one each at two others",
        "ISO 376:2011, 7.4.2, from memory", "take the whole programme",
    )  # fmt: skip
    detail = {"conditions": [told.to_document()]}
    return equation.without(reason), replace(_class_figure().without(reason), detail=detail)
