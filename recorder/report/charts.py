"""Charts of the report as SVG: vector, readable in black and white, the same every time."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from recorder.analysis.resistance import (
    ResistanceFit,
    confidence,
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from recorder.analysis.performance import Band, Specification, StretchResult
    from recorder.analysis.series import Series
    from recorder.analysis.tonnage import Rating
    from recorder.analysis.train import Train

__all__ = [
    "along_chart",
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
    bands: Sequence[Band], results: Sequence[StretchResult], spec: Specification | None
) -> bytes:
    """Equivalent drawbar pull against speed, its uncertainty, and the specification."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 3.4), layout="constrained")
        axes = figure.add_subplot()
        for judged, face in ((True, "0.6"), (False, "none")):
            held = [r for r in results if (r.margin is not None) == judged]
            if held:
                axes.plot(
                    [r.speed.value * 3.6 for r in held],
                    [r.pull.value for r in held],
                    ".",
                    color="0.6" if judged else "0.4",
                    markerfacecolor=face,
                    markersize=4,
                    label="steady stretch" if judged else "stretch not judged",
                )
        _errors(axes, bands, lambda b: b.pull)
        if spec is not None and spec.speed_m_s:
            axes.plot(
                np.array(spec.speed_m_s) * 3.6, spec.pull_kN, "k--", label="specification"
            )
        axes.set_xlabel("speed, km/h")
        axes.set_ylabel("equivalent drawbar pull, kN")
        axes.set_ylim(bottom=0)
        _legend(axes)
        return _svg(figure)


def power_chart(bands: Sequence[Band], spec: Specification | None) -> bytes:
    """Equivalent drawbar power against speed."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 2.8), layout="constrained")
        axes = figure.add_subplot()
        _errors(axes, bands, lambda b: b.power)
        if spec is not None and spec.speed_m_s:
            v = np.linspace(spec.speed_m_s[0], spec.speed_m_s[-1], 200)
            pull = np.interp(v, spec.speed_m_s, spec.pull_kN)
            axes.plot(v * 3.6, v * pull, "k--", label="specification")
        axes.set_xlabel("speed, km/h")
        axes.set_ylabel("equivalent drawbar power, kW")
        axes.set_ylim(bottom=0)
        _legend(axes)
        return _svg(figure)


def resistance_chart(
    fit: ResistanceFit, speeds_km_h: Sequence[float], seen: Sequence[float], train: Train
) -> bytes:
    """Trailing resistance per tonne: pieces, fit with its 95 % band, published formulas."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 3.2), layout="constrained")
        axes = figure.add_subplot()
        axes.plot(speeds_km_h, seen, ".", color="0.7", markersize=2.5, label="measured pieces")
        low, high = fit.speed_km_h
        v = np.linspace(low, high, 60)
        band = np.array([confidence(fit, float(x)) for x in v])
        axes.plot(v, band[:, 0], "k-", label="fit")
        axes.fill_between(v, band[:, 1], band[:, 2], color="0.85", label="95 % band")
        if train.trailing_axles and train.trailing_mass_t:
            load, axles = train.trailing_mass_t / train.trailing_axles, 4
            davis = davis_1926_N_per_t(v, axle_load_t=load, axles=axles)
            modified = modified_davis_N_per_t(v, axle_load_t=load, axles=axles)
            axes.plot(v, davis, "k--", label="Davis 1926, freight cars")
            axes.plot(v, modified, "k:", label="modified Davis")
        spread = np.quantile(seen, (0.02, 0.98)) if len(seen) else (0.0, 1.0)
        pad = 0.3 * float(spread[1] - spread[0]) + 1.0
        axes.set_ylim(min(0.0, float(spread[0]) - pad), float(spread[1]) + pad)
        axes.set_xlabel("speed, km/h")
        axes.set_ylabel("trailing resistance, N/t")
        _legend(axes)
        return _svg(figure)


def rating_chart(ratings: Sequence[Rating]) -> bytes:
    """Trailing tonnes over each grade at the least speed."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDE, 2.4), layout="constrained")
        axes = figure.add_subplot()
        held = sorted(ratings, key=lambda r: r.grade)
        axes.errorbar(
            [r.grade * 100 for r in held],
            [r.trailing_t.value for r in held],
            [_finite(r.trailing_t.expanded) for r in held],
            fmt="ks-",
            markersize=4,
            capsize=3,
        )
        axes.set_xlabel("grade, %")
        axes.set_ylabel("trailing load, t")
        axes.set_ylim(bottom=0)
        return _svg(figure)


def along_chart(series: Series) -> bytes:
    """Pull, speed, power and grade along the run, over run time."""
    rows: list[tuple[str, NDArray[np.float64], NDArray[np.float64]]] = [
        ("pull, kN", series.pull_min_kN, series.pull_max_kN),
        ("speed, km/h", series.speed_m_s * 3.6, series.speed_m_s * 3.6),
        ("power, kW", series.power_kW, series.power_kW),
    ]
    if series.grade_source in {"route", "channel", "marks"}:
        rows.append(("grade, %", series.trailing_grade * 100, series.trailing_grade * 100))
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


def _errors(axes: Axes, bands: Sequence[Band], pick: Any) -> None:  # noqa: ANN401 - a getter
    held = [b for b in bands if math.isfinite(pick(b).value)]
    if not held:
        axes.text(0.5, 0.5, "no steady stretch", transform=axes.transAxes, ha="center")
        return
    axes.errorbar(
        [b.speed.value * 3.6 for b in held],
        [pick(b).value for b in held],
        [_finite(pick(b).expanded) for b in held],
        fmt="ko",
        markersize=4,
        capsize=3,
        label="speed band, 95 %",
    )


def _legend(axes: Axes) -> None:
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, fontsize=7)


def _finite(value: float) -> float:
    return value if math.isfinite(value) else 0.0


def _svg(figure: Figure) -> bytes:
    stream = io.BytesIO()
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(stream, metadata={"Date": None, "Creator": None})
    # The metadata says nothing and names outside places: leave it out.
    return re.sub(rb"<metadata>.*?</metadata>", b"", stream.getvalue(), flags=re.DOTALL)
