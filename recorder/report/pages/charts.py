"""Charts of the report against speed and grade, each with the figures behind it.

No point lies outside its frame or under another unsaid: the axes hold every point and its bar,
or the caption tells how many lie beyond, and how many marks cover one another.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.written import many, written
from recorder.analysis.dynamics.published_resistance import (
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)
from recorder.analysis.dynamics.resistance import ResistanceFit
from recorder.report.pages.chart_style import (
    BAND,
    GREY,
    INK,
    LIMIT,
    dress,
    figure_of,
    hidden_marks,
    key,
    shortened,
    styled,
    svg_of,
)
from recorder.report.pages.document import ChartData, Drawing
from recorder.report.pages.shown_units import METRIC, ShownUnits

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from recorder.analysis.campaign.campaign_resistance import ResistanceObservation
    from recorder.analysis.dynamics.tonnage import Rating
    from recorder.analysis.series.train import TrialTrain
    from recorder.analysis.specification.bands import Band
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.analysis.uncertainty.measured import Measured

__all__ = [
    "comparison_chart",
    "performance_chart",
    "power_chart",
    "rating_chart",
    "resistance_chart",
]

_MARK_PT: Final = 4.2
_LEAST_HEIGHT: Final = 1e-3
"""Of a frame, kN or kW as shown: what is smaller is nothing, and its figures fill the page."""
_SET_ASIDE: Final = 0.5
"""Of its own weight left by the fit: less, and a piece is drawn hollow."""
_STEPS: Final = 200


def performance_chart(
    bands: Sequence[Band],
    results: Sequence[StretchResult],
    spec: Specification | None,
    units: ShownUnits = METRIC,
) -> Drawing:
    """Equivalent drawbar pull against speed, its uncertainty, and the specification."""
    limit = _limit(spec, lambda _, pull: pull, units, "kN")
    if spec is not None and spec.starting_pull_kN is not None:
        limit = [(np.zeros(1), np.array([spec.starting_pull_kN]) * units.factor("kN")), *limit]
    name = f"equivalent drawbar pull, {units.label('kN')}"
    return _by_speed(
        name, [(b.speed, b.pull) for b in bands if b.admitted],
        [(r, r.speed, r.pull) for r in results], limit, units,
    )  # fmt: skip


def power_chart(
    bands: Sequence[Band],
    results: Sequence[StretchResult],
    spec: Specification | None,
    units: ShownUnits = METRIC,
) -> Drawing:
    """Equivalent drawbar power against speed, its uncertainty, and what the specification asks."""
    name = f"equivalent drawbar power, {units.label('kW')}"
    return _by_speed(
        name, [(b.speed, b.power) for b in bands if b.admitted],
        [(r, r.speed, r.power) for r in results],
        _limit(spec, lambda v, pull: v * pull, units, "kW"), units,
    )  # fmt: skip


_Curve = tuple["NDArray[np.float64]", "NDArray[np.float64]"]


def _limit(
    spec: Specification | None,
    of: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
    units: ShownUnits,
    unit: str,
) -> list[_Curve]:
    """The specified line in the units shown; none where nothing is specified by speed."""
    if spec is None or not spec.speed_m_s:
        return []
    v = np.union1d(np.linspace(spec.speed_m_s[0], spec.speed_m_s[-1], _STEPS), spec.speed_m_s)
    pull = np.interp(v, spec.speed_m_s, spec.pull_kN)
    return [(v * units.factor("m/s"), of(v, pull) * units.factor(unit))]


def _by_speed(
    name: str,
    bands: Sequence[tuple[Measured, Measured]],
    results: Sequence[tuple[StretchResult, Measured, Measured]],
    limit: Sequence[_Curve],
    units: ShownUnits,
) -> Drawing:
    """Test sections admitted and refused, bands with their intervals, and the limit."""
    speed = f"speed, {units.label('m/s')}"
    kinds = (
        ("test section admitted", True, "o", INK, INK),
        ("test section refused", False, "o", "none", GREY),
    )
    with styled():
        figure, (axes,) = figure_of(3.25)
        drawn: list[NDArray[np.float64]] = []
        for label, admitted, mark, face, edge in kinds:
            held = [(v, y) for r, v, y in results if r.admission.admitted is admitted]
            points, _ = _points(held, units)
            drawn.append(points)
            if len(points):
                axes.plot(*points.T, mark, color=edge, markerfacecolor=face,
                          markeredgewidth=0.8, markersize=_MARK_PT, label=label)  # fmt: skip
        at, half = _points(bands, units)
        if len(at):
            axes.errorbar(at[:, 0], at[:, 1], half, fmt="D", color=INK, markersize=6.5,
                          markerfacecolor="none", markeredgewidth=1.1,
                          label="speed band with its 95 % interval")  # fmt: skip
        tops = np.concatenate([*(p[:, 1] for p in drawn), at[:, 1] + half, at[:, 1] - half])
        all_points = np.vstack([*drawn, at])
        cut = _frame(axes, all_points[:, 0], tops, limit)
        _draw_limit(axes, limit)
        dress(axes, speed, name)
        unknown = len(results) - sum(map(len, drawn))
        key(figure, axes)
        notes = _notes(axes, all_points, unknown, cut=cut, empty=not len(at))
        svg = svg_of(figure)
    return Drawing(svg, _stated(speed, name, bands, results, units), notes=notes)


def _draw_limit(axes: Axes, limit: Sequence[_Curve]) -> None:
    """What is specified: a line by speed, a mark at starting."""
    for i, (v, y) in enumerate(limit):
        fmt = "^" if len(v) == 1 else "--"
        what = "specified at starting" if len(v) == 1 else "specified"
        axes.plot(v, y, fmt, color=LIMIT, linewidth=1.3, markersize=6, clip_on=len(v) > 1,
                  zorder=2.8 - i * 0.1, label=what)  # fmt: skip


def _points(
    held: Iterable[tuple[Measured, Measured]], units: ShownUnits
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What is known of speed and figure (n, 2) in the units shown, and its half interval (n,)."""
    shown = [(units.of(v), units.of(y)) for v, y in held if math.isfinite(v.value + y.value)]
    points = np.array([(v.value, y.value) for v, y in shown], np.float64).reshape(-1, 2)
    return points, np.array([_finite(y.expanded) for _, y in shown], np.float64)


def _frame(
    axes: Axes,
    across: NDArray[np.float64],
    up: NDArray[np.float64],
    limit: Sequence[_Curve],
) -> bool:
    """Axes that hold every point and bar; whether the limit runs on beyond them."""
    line = [curve for curve in limit if len(curve[0]) > 1]
    right = float(across.max(initial=0.0)) * 1.15
    if not right:
        right = max((float(v.max()) for v, _ in limit), default=1.0) or 1.0
    low, high = min(0.0, float(up.min(initial=0.0))), float(up.max(initial=0.0))
    least = float(across.min(initial=right))
    for v, y in line:
        near = y[(v >= 0.8 * least) & (v <= right)] if len(across) else y
        high = max(high, float(near.max(initial=0.0)))
    high = max([high, *(float(y[0]) for v, y in limit if len(v) == 1)])
    if high - low < _LEAST_HEIGHT:
        high = low + 1.0
    axes.set_xlim(0.0, right)
    axes.set_ylim(low - 0.08 * (high - low) * (low < 0.0), low + 1.08 * (high - low))
    return any(bool(((v > right) | (y > axes.get_ylim()[1])).any()) for v, y in line)


def _notes(
    axes: Axes, points: NDArray[np.float64], unknown: int, *, cut: bool, empty: bool
) -> tuple[str, ...]:
    """What the chart does not show, in words."""
    told = ["No test section was admitted: no speed band is drawn."] * empty
    told += ["The specified line goes on beyond the frame."] * cut
    told += _covered(axes, points, _MARK_PT, "mark")
    if unknown:
        told.append(f"Not drawn, because not known: {many(unknown, 'test section')}.")
    return tuple(told)


def _stated(
    speed: str,
    name: str,
    bands: Sequence[tuple[Measured, Measured]],
    results: Sequence[tuple[StretchResult, Measured, Measured]],
    units: ShownUnits,
) -> ChartData:
    table: list[tuple[float, ...]] = []
    for v, y, admitted, band in (
        *((v, y, float(r.admission.admitted), 0.0) for r, v, y in results),
        *((v, y, math.nan, 1.0) for v, y in bands),
    ):
        across, up = units.of(v), units.of(y)
        table.append((across.value, across.expanded, up.value, up.expanded, admitted, band))
    heads = (
        speed,
        "± (95 %)",
        name,
        "± (95 %)",
        "admitted (1) or refused (0)",
        "speed band (1)",
    )
    return ChartData(heads, _columns(table, len(heads)))


def _columns(rows: Sequence[tuple[float, ...]], width: int) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row[i] for row in rows) for i in range(width))


def comparison_chart(
    curves: Mapping[str, Sequence[tuple[float, float, float]]], units: ShownUnits = METRIC
) -> Drawing:
    """Runs side by side: speed, pull and the uncertainty of its difference, in units shown."""
    speed, force = units.label("m/s"), units.label("kN")
    with styled("".join(curves)):
        figure, (axes,) = figure_of(3.3)
        signs = itertools.cycle(("o-", "s--", "^:", "D-.", "v-", "x--"))
        hues = itertools.cycle((INK, LIMIT, GREY))
        rows: list[tuple[float, ...]] = []
        for n, ((name, points), sign, hue) in enumerate(
            zip(curves.items(), signs, hues, strict=False)
        ):
            v, pull, spread = zip(*points, strict=True) if points else ((), (), ())
            axes.errorbar(
                v, pull, spread, fmt=sign, color=hue, markersize=5, markerfacecolor="none",
                label=shortened(name) + (" (first run)" if n == 0 else ""),
            )  # fmt: skip
            rows += [(float(n + 1), *point) for point in points]
        dress(axes, f"speed, {speed}", f"equivalent drawbar pull, {force}")
        at = np.array([row[1:3] for row in rows], np.float64).reshape(-1, 2)
        key(figure, axes)
        notes = _covered(axes, at, 5.0, "mark")
        svg = svg_of(figure)
    heads = (
        "run, in the order of the key",
        f"speed, {speed}",
        f"pull, {force}",
        f"± of the difference, {force}",
    )
    return Drawing(svg, ChartData(heads, _columns(rows, len(heads))), notes=notes)


def resistance_chart(
    fit: ResistanceFit,
    observations: Sequence[ResistanceObservation],
    train: TrialTrain,
    units: ShownUnits = METRIC,
) -> Drawing:
    """Trailing resistance per tonne: pieces measured, the line fitted to them with its 95 %
    interval, published formulas by name.
    """
    k, per = units.factor("km/h"), units.factor("N/t")
    speed, name = f"speed, {units.label('m/s')}", f"trailing resistance, {units.label('N/t')}"
    v = np.linspace(*fit.speed_km_h, 60)
    at = [fit.at(float(x)) for x in v]
    mean = np.array([m.value for m in at]) * per
    half = np.array([_finite(m.expanded) for m in at]) * per
    points = np.array([(o.speed_km_h * k, o.resistance.value * per) for o in observations])
    points = points.reshape(-1, 2)
    weights = fit.weights if len(fit.weights) == len(points) else np.ones(len(points))
    with styled():
        figure, (axes,) = figure_of(3.25)
        axes.fill_between(v * k, mean - half, mean + half, color=BAND, linewidth=0.0,
                          label="95 % interval of the fit")  # fmt: skip
        low, high = _believed(points[:, 1], mean - half, mean + half)
        notes = _pieces(axes, points, weights, (low, high))
        axes.plot(v * k, mean, "-", color=LIMIT, linewidth=1.6, zorder=3.0, label="fit")
        load = train.trailing.axle_load_t
        if load is not None:
            axes.plot(v * k, davis_1926_N_per_t(v, axle_load_t=load) * per, "--", color=INK,
                      label="Davis formula of 1926, freight cars")  # fmt: skip
            axes.plot(v * k, modified_davis_N_per_t(v, axle_load_t=load) * per, ":",
                      color=INK, linewidth=1.3, label="modified Davis formula")  # fmt: skip
        axes.set_ylim(low, high)
        dress(axes, speed, name)
        key(figure, axes)
        shown = points[(points[:, 1] >= low) & (points[:, 1] <= high)]
        notes += _covered(axes, shown, 2.6, "piece")
        svg = svg_of(figure)
    heads = (speed, name, "share of its weight kept by the fit")
    rows = [(*map(float, p), float(w)) for p, w in zip(points, weights, strict=True)]
    return Drawing(svg, ChartData(heads, _columns(rows, len(heads))), notes=notes)


def _pieces(
    axes: Axes,
    points: NDArray[np.float64],
    weights: NDArray[np.float64],
    ends: tuple[float, float],
) -> tuple[str, ...]:
    """Measured pieces as points; arrowheads at the frame for those beyond it."""
    low, high = ends
    within = (points[:, 1] >= low) & (points[:, 1] <= high)
    for label, chosen, face in (
        ("measured piece", within & (weights >= _SET_ASIDE), INK),
        ("measured piece that the fit set aside", within & (weights < _SET_ASIDE), "none"),
    ):
        if chosen.any():
            axes.plot(*points[chosen].T, "o", color=INK, markersize=2.6, markerfacecolor=face,
                      markeredgewidth=0.5, zorder=2.5, label=label)  # fmt: skip
    notes = []
    for mark, place, beyond, word in (
        ("^", high, points[:, 1] > high, "above"),
        ("v", low, points[:, 1] < low, "below"),
    ):
        if beyond.any():
            axes.plot(points[beyond, 0], np.full(int(beyond.sum()), place), mark, color=GREY,
                      markersize=5, markerfacecolor="none", clip_on=False, zorder=4)  # fmt: skip
            far = points[beyond, 1].max() if word == "above" else points[beyond, 1].min()
            notes.append(
                f"Arrowheads: {many(int(beyond.sum()), 'piece')} {word} the frame,"
                f" as far as {written(float(far), 0)}."
            )
    return tuple(notes)


def _covered(
    axes: Axes, points: NDArray[np.float64], size_pt: float, what: str
) -> tuple[str, ...]:
    """That some marks cover one another; nothing where none does."""
    hidden = hidden_marks(axes, points, size_pt)
    told = f"{many(hidden, what)} of {len(points)} can hardly be told from another."
    return (told,) * bool(hidden)


def _believed(
    seen: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> tuple[float, float]:
    """Ends of the axis: of the interval of the fit and of most pieces. Braked or half-braked ones
    lie far above, and are told.
    """
    first, last = np.quantile(seen, (0.02, 0.9)) if len(seen) else (0.0, 1.0)
    bottom = min(0.0, float(first), float(low.min(initial=0.0)))
    top = max(float(last), float(high.max(initial=0.0)), bottom + 1e-9)
    return bottom, top + 0.15 * (top - bottom)


def rating_chart(ratings: Sequence[Rating], units: ShownUnits = METRIC) -> Drawing:
    """Trailing load over each grade at the minimum speed."""
    held = sorted(ratings, key=lambda r: r.grade)
    loads = [units.of(r.trailing_t) for r in held]
    grades = [r.grade * 100 for r in held]
    name = f"trailing load, {units.label('t')}"
    with styled():
        figure, (axes,) = figure_of(2.7)
        axes.errorbar(grades, [m.value for m in loads], [_finite(m.expanded) for m in loads],
                      fmt="s", color=INK, markersize=5, markerfacecolor="none",
                      label="with its 95 % interval")  # fmt: skip
        dress(axes, "grade, %", name)
        axes.set_ylim(bottom=min([0.0, *(m.value - _finite(m.expanded) for m in loads)]))
        key(figure, axes)
        notes = _covered(
            axes,
            np.array([(g, m.value) for g, m in zip(grades, loads, strict=True)]),
            5.0,
            "mark",
        )
        svg = svg_of(figure)
    rows = [(g, m.value, m.expanded) for g, m in zip(grades, loads, strict=True)]
    return Drawing(
        svg, ChartData(("grade, %", name, "± (95 %)"), _columns(rows, 3)), notes=notes
    )


def _finite(value: float) -> float:
    return value if math.isfinite(value) else 0.0
