"""Charts of the report as SVG: vector, readable in black and white, the same every time."""

from __future__ import annotations

import io
import itertools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from recorder.analysis.dynamics.published_resistance import (
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)
from recorder.analysis.dynamics.resistance import ResistanceFit
from recorder.analysis.series.series import GradeSource
from recorder.report.pages.shown_units import METRIC, ShownUnits

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from recorder.analysis.campaign.campaign_resistance import ResistanceObservation
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.dynamics.tonnage import Rating
    from recorder.analysis.series.train import TrialTrain
    from recorder.analysis.specification.bands import Band
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.analysis.uncertainty.measured import Measured

__all__ = [
    "along_chart",
    "comparison_chart",
    "performance_chart",
    "power_chart",
    "rating_chart",
    "resistance_chart",
    "trace_chart",
]

_STYLE: Final[Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "testcar",
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.linewidth": 0.6,
    "axes.grid": True,
    "grid.linewidth": 0.3,
    "grid.color": "0.75",
    "lines.linewidth": 0.9,
}
_WIDE: Final = 6.8
_POINTS: Final = 1500
"""Columns a trace is reduced to (minimum and maximum each); more cannot be printed."""


def performance_chart(
    bands: Sequence[Band],
    results: Sequence[StretchResult],
    spec: Specification | None,
    units: ShownUnits = METRIC,
) -> bytes:
    """Equivalent drawbar pull against speed, its uncertainty, and the specification."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 3.4), layout="constrained")
        axes = figure.add_subplot()
        for judged, face in ((True, "0.6"), (False, "none")):
            held = [r for r in results if r.judged == judged]
            if held:
                axes.plot(
                    [units.of(r.speed).value for r in held],
                    [units.of(r.pull).value for r in held],
                    "o",
                    color="0.55",
                    markerfacecolor=face,
                    markeredgewidth=0.7,
                    markersize=3,
                    label="stretch judged" if judged else "stretch refused",
                )
        bands = [b for b in bands if b.admitted]
        _errors(axes, bands, lambda b: b.pull, units)
        if spec is not None and spec.speed_m_s:
            axes.plot(
                np.array(spec.speed_m_s) * units.factor("m/s"),
                np.array(spec.pull_kN) * units.factor("kN"),
                "k--",
                label="specification",
            )
        axes.set_xlabel(f"speed, {units.label('m/s')}")
        axes.set_ylabel(f"equivalent drawbar pull, {units.label('kN')}")
        _from_zero(axes, bands, lambda b: b.pull)
        _legend(axes)
        return _svg(figure)


def comparison_chart(curves: Mapping[str, Sequence[tuple[float, float, float]]]) -> bytes:
    """Runs side by side: speed (km/h), pull (kN) and the uncertainty of its difference."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 3.0), layout="constrained")
        axes = figure.add_subplot()
        signs = itertools.cycle(("ko-", "ks--", "k^:", "kD-.", "kv-", "kx--"))
        for (name, points), sign in zip(curves.items(), signs, strict=False):
            v, pull, spread = zip(*points, strict=True) if points else ((), (), ())
            axes.errorbar(
                v, pull, spread, fmt=sign, markersize=4, capsize=3, label=name, fillstyle="none"
            )
        axes.set_xlabel("speed, km/h")
        axes.set_ylabel("equivalent drawbar pull, kN")
        _legend(axes)
        return _svg(figure)


def power_chart(
    bands: Sequence[Band], spec: Specification | None, units: ShownUnits = METRIC
) -> bytes:
    """Equivalent drawbar power against speed."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 2.8), layout="constrained")
        axes = figure.add_subplot()
        bands = [b for b in bands if b.admitted]
        _errors(axes, bands, lambda b: b.power, units)
        if spec is not None and spec.speed_m_s:
            v = np.linspace(spec.speed_m_s[0], spec.speed_m_s[-1], 200)
            pull = np.interp(v, spec.speed_m_s, spec.pull_kN)
            axes.plot(
                v * units.factor("m/s"),
                v * pull * units.factor("kW"),
                "k--",
                label="specification",
            )
        axes.set_xlabel(f"speed, {units.label('m/s')}")
        axes.set_ylabel(f"equivalent drawbar power, {units.label('kW')}")
        _from_zero(axes, bands, lambda b: b.power)
        _legend(axes)
        return _svg(figure)


def resistance_chart(
    fit: ResistanceFit,
    observations: Sequence[ResistanceObservation],
    train: TrialTrain,
    units: ShownUnits = METRIC,
) -> bytes:
    """Trailing resistance per tonne: what was seen, the fit with its 95 % band, published
    formulas.
    """
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 3.2), layout="constrained")
        axes = figure.add_subplot()
        k, per = units.factor("km/h"), units.factor("N/t")
        seen = np.array([o.resistance.value for o in observations]) * per
        axes.plot(
            np.array([o.speed_km_h for o in observations]) * k,
            seen,
            ".",
            color="0.6",
            markersize=2.5,
            zorder=2.5,
            label="measured pieces",
        )
        v = np.linspace(*fit.speed_km_h, 60)
        at = [fit.at(float(x)) for x in v]
        mean = np.array([m.value for m in at]) * per
        half = np.array([m.expanded for m in at]) * per
        axes.plot(v * k, mean, "k-", zorder=3.0, label="fit")
        axes.fill_between(
            v * k, mean - half, mean + half, color="0.88", zorder=1.5, label="95 % band"
        )
        load = train.trailing.axle_load_t
        if load is not None:
            davis = davis_1926_N_per_t(v, axle_load_t=load) * per
            modified = modified_davis_N_per_t(v, axle_load_t=load) * per
            axes.plot(v * k, davis, "k--", label="Davis 1926, freight cars")
            axes.plot(v * k, modified, "k:", label="modified Davis")
        axes.set_ylim(*_believed(seen, float(np.max(mean + half))))
        axes.set_xlabel(f"speed, {units.label('m/s')}")
        axes.set_ylabel(f"trailing resistance, {units.label('N/t')}")
        _legend(axes)
        return _svg(figure)


def _believed(seen: NDArray[np.float64], top_of_band: float) -> tuple[float, float]:
    """Ends of the axis. Braked or half-braked pieces lie far above: the chart is of what the
    fit believes.
    """
    low, high = np.quantile(seen, (0.05, 0.75)) if len(seen) else (0.0, 1.0)
    bottom, top = min(0.0, float(low)), max(float(high), top_of_band)
    return bottom, top + 0.4 * (top - bottom)


def rating_chart(ratings: Sequence[Rating], units: ShownUnits = METRIC) -> bytes:
    """Trailing tonnes over each grade at the least speed."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 2.4), layout="constrained")
        axes = figure.add_subplot()
        held = sorted(ratings, key=lambda r: r.grade)
        axes.errorbar(
            [r.grade * 100 for r in held],
            [units.of(r.trailing_t).value for r in held],
            [_finite(units.of(r.trailing_t).expanded) for r in held],
            fmt="ks",
            markersize=4,
            capsize=3,
        )
        axes.set_xlabel("grade, %")
        axes.set_ylabel(f"trailing load, {units.label('t')}")
        axes.set_ylim(bottom=0)
        return _svg(figure)


def along_chart(run: LoadedRun, units: ShownUnits = METRIC) -> bytes:
    """Pull, speed, power, and the line where it is known, over run time."""
    series = run.series
    pull, speed = units.factor("kN"), series.speed_m_s * units.factor("m/s")
    power = series.power_kW * units.factor("kW")
    rows: list[tuple[str, NDArray[np.float64], NDArray[np.float64]]] = [
        (f"pull, {units.label('kN')}", series.pull_min_kN * pull, series.pull_max_kN * pull),
        (f"speed, {units.label('m/s')}", speed, speed),
        (f"power, {units.label('kW')}", power, power),
    ]
    if series.grade_source is not GradeSource.UNKNOWN:
        rows.append(("grade, %", series.trailing_grade * 100, series.trailing_grade * 100))
    if run.route is not None:
        height = run.route.elevation_at(series.chainage_m) * units.factor("m")
        if np.isfinite(height).any():
            rows.append((f"height, {units.label('m')}", height, height))
    return trace_chart(series.t_s, rows)


def trace_chart(
    t_s: NDArray[np.float64],
    rows: Sequence[tuple[str, NDArray[np.float64], NDArray[np.float64]]],
) -> bytes:
    """Strips under one another over time; each a band from least to greatest, gaps left open."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 0.5 + 1.15 * len(rows)), layout="constrained")
        strips = figure.subplots(len(rows), 1, sharex=True, squeeze=False)[:, 0]
        hours = bool(len(t_s)) and t_s[-1] - t_s[0] > 7200.0
        scale = 3600.0 if hours else 60.0 if len(t_s) and t_s[-1] - t_s[0] > 300.0 else 1.0
        for axes, (name, low, high) in zip(strips, rows, strict=True):
            x, a, b = _reduced(t_s, low, high)
            axes.fill_between(x / scale, a, b, color="0.2", linewidth=0.5, edgecolor="black")
            # A band of no height has no outline in every renderer: a level line was not drawn.
            axes.plot(x / scale, a, color="black", linewidth=0.5)
            if not name.startswith("height"):
                axes.axhline(0.0, color="black", linewidth=0.5)
            axes.set_ylabel(name, fontsize=7)
            axes.margins(x=0)
        strips[-1].set_xlabel(
            f"run time, {'h' if scale == 3600 else 'min' if scale == 60 else 's'}"
        )
        return _svg(figure)


def _reduced(
    t_s: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """At most :data:`_POINTS` columns; a column with no data is NaN and stays open."""
    n = len(t_s)
    if n <= _POINTS:
        return t_s, low, high
    edges = np.linspace(0, n, _POINTS + 1).astype(np.int64)[:-1]
    return (
        t_s[edges],
        np.fmin.reduceat(low, edges),
        np.fmax.reduceat(high, edges),
    )


def _errors(
    axes: Axes,
    bands: Sequence[Band],
    pick: Callable[[Band], Measured],
    units: ShownUnits,
) -> None:
    held = [b for b in bands if math.isfinite(pick(b).value)]
    if not held:
        axes.text(
            0.5,
            0.05,
            "no stretch was admitted to judgement",
            transform=axes.transAxes,
            ha="center",
        )
        return
    axes.errorbar(
        [units.of(b.speed).value for b in held],
        [units.of(pick(b)).value for b in held],
        [_finite(units.of(pick(b)).expanded) for b in held],
        fmt="ko",
        markersize=4,
        capsize=3,
        label="speed band, 95 %",
    )


def _from_zero(axes: Axes, bands: Sequence[Band], pick: Callable[[Band], Measured]) -> None:
    """From zero up, unless a figure lies below it."""
    if not any(pick(b).value < 0.0 for b in bands):
        axes.set_ylim(bottom=0)


def _legend(axes: Axes) -> None:
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, fontsize=7)


def _finite(value: float) -> float:
    return value if math.isfinite(value) else 0.0


def _svg(figure: Figure) -> bytes:
    stream = io.BytesIO()
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(stream, metadata={"Date": None, "Creator": None})
    # The metadata states nothing and names outside places: leave it out.
    return re.sub(rb"<metadata>.*?</metadata>", b"", stream.getvalue(), flags=re.DOTALL)
