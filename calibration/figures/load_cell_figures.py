"""The figures of a force cell that need no class: zero, linearity, hysteresis, and the like.

Each function takes one ``LoadSeries`` (one sense of loading) and gives a ``Figure``: a value with
its unit, or no value and the reason. Symbols: X deflection, X_N mean deflection at the largest
force, i₀ and i_f zero before and after a series. Terms are those of the load-cell
trade; ISO 376 and ASTM E74 have modules of their own.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.figures.figure import Figure
from calibration.readings.load_series import LEVEL_TOLERANCE
from calibration.statistics.polynomial_fit import PolynomialFit, fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.load_series import LoadSeries

__all__ = [
    "creep",
    "hysteresis",
    "interpolation_error",
    "nonlinearity_best_fit",
    "nonlinearity_terminal",
    "replication_sd",
    "resolution",
    "resolution_unloaded",
    "temperature_effect_span",
    "temperature_effect_zero",
    "zero_return",
]

_TRADE: Final = "as the load-cell trade has it, from memory"
_OF_FULL: Final = "% of full-scale deflection"
MIN_TEMPERATURE_SPAN_K: Final = 5.0
"""Less difference between the temperatures drowns the effect in scatter."""


def _listed(values: NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(v) else float(v) for v in values]


def _worst(values: NDArray[np.float64]) -> float:
    """The value of largest magnitude, with its sign; NaN are left out."""
    known = values[~np.isnan(values)]
    return float(known[np.argmax(np.abs(known))])


def zero_return(loads: LoadSeries) -> Figure:
    """Worst change of the zero over a series: ``100 (i_f − i₀) / X_N``, from experience."""
    figure = Figure(
        name="zero_return",
        value=None,
        unit=_OF_FULL,
        formula="100 (i_f - i_0) / X_N, worst series",
        source=_TRADE,
    )
    change = loads.zero_after - loads.zero_before
    if not np.any(~np.isnan(change)):
        return figure.without("no series has a zero reading both before and after its loads")
    percent = 100.0 * change / loads.full_scale
    return replace(figure, value=_worst(percent), detail={"per_series_pct": _listed(percent)})


def _rising_means(loads: LoadSeries) -> NDArray[np.float64]:
    """Means of the rising readings; of all readings when no direction is known."""
    rising = loads.direction > 0
    return loads.mean_at_levels(rising) if np.any(rising) else loads.mean_at_levels()


def nonlinearity_terminal(loads: LoadSeries) -> Figure:
    """Largest distance of the rising means from the line through zero and the largest force.

    ``100 · max |X(F) − X_N F/F_N| / X_N``; the trade's terminal line, from memory.
    """
    figure = Figure(
        name="nonlinearity_terminal",
        value=None,
        unit=_OF_FULL,
        formula="100 max(X(F) - X_N F / F_N) / X_N, sign kept",
        source=_TRADE,
    )
    means = _rising_means(loads)
    if not loads.has_zero:
        return figure.without("no zero was read: the line through zero is not known")
    if np.count_nonzero(~np.isnan(means)) < 3 or np.isnan(means[-1]):
        return figure.without("fewer than three rising forces up to the largest")
    percent = 100.0 * (means - means[-1] * loads.levels / loads.levels[-1]) / abs(means[-1])
    return replace(figure, value=_worst(percent), detail=_at_levels(loads, percent))


def nonlinearity_best_fit(loads: LoadSeries) -> Figure:
    """Largest distance of the rising means from their least-squares straight line.

    ``100 · max |X(F) − (a + b F)| / X_N``; the trade's best-fit line, from memory.
    """
    figure = Figure(
        name="nonlinearity_best_fit",
        value=None,
        unit=_OF_FULL,
        formula="100 max(X(F) - (a + b F)) / X_N, a and b by least squares, sign kept",
        source=_TRADE,
    )
    means = _rising_means(loads)
    known = ~np.isnan(means)
    if np.count_nonzero(known) < 3:
        return figure.without("fewer than three distinct forces")
    line = fit_polynomial(loads.levels[known], means[known], 1)
    percent = 100.0 * (means - line.predict(loads.levels)) / loads.full_scale
    return replace(figure, value=_worst(percent), detail=_at_levels(loads, percent))


def _at_levels(loads: LoadSeries, values: NDArray[np.float64]) -> dict[str, object]:
    return {"applied": _listed(loads.levels), "pct": _listed(values)}


def hysteresis(loads: LoadSeries) -> Figure:
    """Largest difference of falling and rising means: ``100 · max |X↓ − X↑| / X_N``.

    From memory; the reversibility of ISO 376, relative to the reading, is apart from it.
    """
    figure = Figure(
        name="hysteresis",
        value=None,
        unit=_OF_FULL,
        formula="100 max(X_down - X_up) / X_N over forces taken both ways, sign kept",
        source=_TRADE,
    )
    up, down = (
        loads.mean_at_levels(loads.direction > 0),
        loads.mean_at_levels(loads.direction < 0),
    )
    percent = 100.0 * np.sign(loads.mean_at_levels()[-1]) * (down - up) / loads.full_scale
    if not np.any(~np.isnan(percent)):
        return figure.without("no force was taken both rising and falling")
    return replace(figure, value=_worst(percent), detail=_at_levels(loads, percent))


def replication_sd(loads: LoadSeries) -> Figure:
    """Standard deviation among repeats of one force and direction, pooled over forces.

    ``√(Σ (X − X̄)² / (n − groups))``; pooled type A evaluation, GUM (JCGM 100:2008) 4.2.4.
    """
    figure = Figure(
        name="replication_sd",
        value=None,
        unit=_OF_FULL,
        formula="100 sqrt(sum (X - mean)^2 / (n - groups)) / X_N",
        source="pooled type A evaluation, GUM (JCGM 100:2008) 4.2.4",
    )
    group = loads.level_of * 3 + loads.direction + 1
    _, index = np.unique(group, return_inverse=True)
    values = loads.at_level_force()
    count = np.bincount(index)
    dof = len(values) - len(count)
    if dof < 1:
        return figure.without("no force was applied twice in one direction")
    within = values - (np.bincount(index, weights=values) / count)[index]
    sd = float(np.sqrt(within @ within / dof))
    detail = {"sd": sd, "dof": int(dof)}
    return replace(figure, value=100.0 * sd / loads.full_scale, detail=detail)


def interpolation_error(loads: LoadSeries, curve: PolynomialFit) -> Figure:
    """Largest relative distance of the rising means from the fitted curve, in % of reading.

    ``100 (X̄ − X_a) / X_a``, X_a from the curve; as ISO 376 defines f_c, on all rising branches.
    """
    figure = Figure(
        name="interpolation_error",
        value=None,
        unit="% of reading",
        formula="100 (X_mean - X_a) / X_a, X_a on the fitted curve, worst force, sign kept",
        source="as f_c of ISO 376:2011, on the means of all rising runs",
    )
    if len(loads.levels) <= curve.degree + 1:
        return figure.without("the curve has as many coefficients as there are forces")
    means = _rising_means(loads)
    expected = curve.predict(loads.levels)
    with np.errstate(divide="ignore", invalid="ignore"):
        percent = 100.0 * (means - expected) / expected
    percent[~np.isfinite(percent)] = np.nan
    if not np.any(~np.isnan(percent)):
        return figure.without("the curve is zero at every force")
    return replace(figure, value=_worst(percent), detail=_at_levels(loads, percent))


def creep(loads: LoadSeries) -> Figure:
    """Change from 30 s to 300 s under (or after) the largest force.

    ``100 |i₃₀₀ − i₃₀| / X_N``, as ISO 376:2011 defines c.
    """
    figure = Figure(
        name="creep",
        value=None,
        unit=_OF_FULL,
        formula="100 |i_300 - i_30| / X_N, 30 s and 300 s after loading or unloading",
        source="as c of ISO 376:2011",
    )
    r = loads.readings
    per_force = loads.mean_at_levels()[-1] / loads.levels[-1]
    found: list[float] = []
    longest = 0.0
    for group in _holds(loads):
        elapsed = r.time_s[group] - r.time_s[group[0]]
        longest = max(longest, float(elapsed[-1]))
        pair = _creep_pair(elapsed)
        if pair is not None:
            first, last = group[pair[0]], group[pair[1]]
            # What the force itself changed meanwhile is not creep.
            of_force = (r.applied[last] - r.applied[first]) * per_force
            found.append(float(r.reading[last] - r.reading[first] - of_force))
    if not found:
        why = f"the longest hold is {longest:g} s" if longest else "no force was held"
        return figure.without(f"no readings 30 s and 300 s after a change of force ({why})")
    percent = 100.0 * np.abs(np.array(found)) / loads.full_scale
    detail = {"per_hold_pct": _listed(percent)}
    return replace(figure, value=float(np.max(percent)), detail=detail)


def _holds(loads: LoadSeries) -> list[NDArray[np.intp]]:
    """Indices of the readings of each hold at known times, the step it began with first."""
    r = loads.readings
    same = (
        (np.abs(np.diff(r.applied)) <= LEVEL_TOLERANCE * loads.largest)
        & (np.diff(r.series) == 0)
        & (np.diff(r.time_s) > 0.0)
        & r.held[1:]
    )
    starts = np.flatnonzero(~np.concatenate(([False], same)))
    ends = np.append(starts[1:], len(r))
    return [np.arange(a, b) for a, b in zip(starts, ends, strict=True) if b - a >= 2]


def _creep_pair(elapsed: NDArray[np.float64]) -> tuple[int, int] | None:
    """Which two readings stand for 30 s and 300 s; elapsed counts from the first reading.

    The first reading may itself be the one at 30 s (a step of 270 s follows), or the one at
    the change of force (readings near 30 s and 300 s follow). A tenth either way is allowed.
    """

    def near(seconds: float) -> int | None:
        at = int(np.argmin(np.abs(elapsed - seconds)))
        return at if abs(elapsed[at] - seconds) <= 0.1 * seconds else None

    thirty, three_hundred, step = near(30.0), near(300.0), near(270.0)
    if thirty is not None and three_hundred is not None and thirty != three_hundred:
        return thirty, three_hundred
    if step is not None and step > 0:
        return 0, step
    return None


def temperature_effect_zero(loads: LoadSeries) -> Figure:
    """Slope of the zero reading over temperature, in % of full scale per kelvin."""
    figure = Figure(
        name="temperature_effect_zero",
        value=None,
        unit=_OF_FULL + " per K",
        formula="100 (d zero / d T) / X_N, least-squares line",
        source=_TRADE,
    )
    r = loads.readings
    zero = (r.applied == 0.0) & ~np.isnan(r.temperature_C)
    reason = _temperatures(r.temperature_C[zero], "zero readings")
    if reason:
        return figure.without(reason)
    line = fit_polynomial(r.temperature_C[zero] - 20.0, r.reading[zero], 1)
    percent = 100.0 * line.coefficients[1] / loads.full_scale
    error = 100.0 * line.standard_errors[1] / loads.full_scale
    return replace(figure, value=float(percent), detail={"standard_error": float(error)})


def temperature_effect_span(loads: LoadSeries, curve: PolynomialFit) -> Figure:
    """Slope over temperature of deflection against the curve, in % of reading per kelvin."""
    figure = Figure(
        name="temperature_effect_span",
        value=None,
        unit="% of reading per K",
        formula="100 d(X / X_a) / dT, least-squares line, forces from half the largest up",
        source=_TRADE,
    )
    upper = (np.abs(loads.force) >= 0.5 * loads.largest) & ~np.isnan(loads.temperature_C)
    reason = _temperatures(loads.temperature_C[upper], "readings under force")
    if reason:
        return figure.without(reason)
    ratio = loads.deflection[upper] / curve.predict(loads.force[upper])
    line = fit_polynomial(loads.temperature_C[upper] - 20.0, ratio, 1)
    detail = {"standard_error": float(100.0 * line.standard_errors[1])}
    return replace(figure, value=float(100.0 * line.coefficients[1]), detail=detail)


def _temperatures(temperature: NDArray[np.float64], what: str) -> str:
    if len(temperature) < 3:
        return f"fewer than three {what} with a temperature"
    span = float(np.ptp(temperature))
    if span < MIN_TEMPERATURE_SPAN_K:
        limit = MIN_TEMPERATURE_SPAN_K
        return f"{what} span {span:.1f} K; two or more temperatures {limit:g} K apart needed"
    return ""


def resolution(loads: LoadSeries, step: float | None, kN_per_reading: float) -> Figure:
    """Smallest step of the indication, as force: ``r = step · |dF/dX|``."""
    figure = Figure(
        name="resolution",
        value=None,
        unit="kN",
        formula="smallest step of the indication times the force of one unit of reading",
        source=_TRADE,
    )
    if step is None:
        return figure.without(
            "the readings are means or computed: the step of the indication is not known"
        )
    detail = {"step": step, "unit": loads.readings.reading_unit}
    return replace(figure, value=abs(step * kN_per_reading), detail=detail)


def resolution_unloaded(loads: LoadSeries, step: float | None, kN_per_reading: float) -> Figure:
    """What the unloaded indication resolves, as force: r of the classes.

    One step of the indication; half of its fluctuation where that is more (ISO 376:2011, 7.2.3,
    from memory). Where each reading comes with its standard deviation, the fluctuation is taken
    to be six of the largest among the zeros (from experience: 99.7 % of what was indicated).
    """
    figure = Figure(
        name="resolution_unloaded",
        value=None,
        unit="kN",
        formula="larger of one step and 3 standard deviations of the indication at no force",
        source="as r of ISO 376:2011, 7.2, from memory",
    )
    r = loads.readings
    sd = r.sd[r.applied == 0.0] if len(r.sd) else r.sd
    moved = 3.0 * float(np.max(sd, initial=0.0, where=~np.isnan(sd)))
    if r.reading_unit == "counts":  # a converter's own, whatever their means are printed to
        step = max(step or 0.0, 1.0)
    if step is None and moved == 0.0:
        return figure.without(
            "the readings are means or computed: the step of the indication is not known"
        )
    smallest = max(step or 0.0, moved)
    detail = {"step": step, "half_fluctuation": moved or None, "unit": r.reading_unit}
    return replace(figure, value=abs(smallest * kN_per_reading), detail=detail)
