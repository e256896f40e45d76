"""Charts along a run: strips under one another over the run's own time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.series import GradeSource
from recorder.report.pages.chart_style import (
    GREY,
    INK,
    POWER,
    SPEED,
    dress,
    figure_of,
    styled,
    svg_of,
)
from recorder.report.pages.document import ChartData, Drawing, RunAxis
from recorder.report.pages.shown_units import METRIC, ShownUnits

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["Strip", "along_chart", "trace_chart"]

Strip = tuple[str, "NDArray[np.float64]", "NDArray[np.float64]"]
"""Quantity and unit; least and greatest (n,)."""

_Kept = tuple[str, "NDArray[np.float64]", "NDArray[np.float64]", "NDArray[np.float64]"]
"""The same with its instants (n,) s."""
_POINTS: Final = 1500
"""Columns a trace is reduced to (least and greatest each); more cannot be printed."""
_HUES: Final = {"speed": SPEED, "power": POWER, "height": GREY}


def along_chart(run: LoadedRun, units: ShownUnits = METRIC) -> Drawing:
    """Pull, speed, power, and the line where it is known, over run time."""
    series = run.series
    pull, speed = units.factor("kN"), series.speed_m_s * units.factor("m/s")
    power = series.power_kW * units.factor("kW")
    rows: list[Strip] = [
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
    return trace_chart(series.t_s, rows, run.run_id)


def trace_chart(
    t_s: NDArray[np.float64], rows: Sequence[Strip], run_id: str = "", *, strip_in: float = 1.22
) -> Drawing:
    """Strips; each a band from least to greatest, gaps left open."""
    seconds = float(t_s[-1] - t_s[0]) if len(t_s) else 0.0
    unit, scale = (
        ("h", 3600.0) if seconds > 7200.0 else ("min", 60.0) if seconds > 300.0 else ("s", 1.0)
    )
    kept = [(name, *_reduced(t_s, low, high)) for name, low, high in rows]
    with styled():
        figure, strips = figure_of(0.45 + strip_in * len(rows), len(rows))
        for axes, (name, x, low, high) in zip(strips, kept, strict=True):
            hue = _HUES.get(name.partition(",")[0], INK)
            known = np.isfinite(high - low)
            spread = bool(np.max(high - low, initial=0.0, where=known) > 0.0)
            axes.fill_between(x / scale, low, high, color=hue, alpha=0.45, linewidth=0.0)
            # A band of no height has no outline in every renderer: a level line was not drawn.
            axes.plot(x / scale, low, color=hue, linewidth=0.6)
            if spread:
                axes.plot(x / scale, high, color=hue, linewidth=0.6)
            dress(axes, "", name + " (least to greatest)" * spread)
            if not name.startswith("height"):
                axes.axhline(0.0, color=INK, linewidth=0.7)
            axes.margins(x=0)
        strips[-1].set_xlabel(f"run time, {unit}")
        svg = svg_of(figure)
        axis = None
        if run_id and len(t_s):
            ends = np.array([[t_s[0] / scale, 0.0], [t_s[-1] / scale, 0.0]])
            x = strips[-1].transData.transform(ends)[:, 0] * 72.0 / figure.dpi
            axis = RunAxis(run_id, (float(t_s[0]), float(t_s[-1])), (float(x[0]), float(x[1])))
    return Drawing(svg, _data(kept), axis)


def _data(kept: Sequence[_Kept]) -> ChartData | None:
    """Instant and, of each strip, one column, or two where least and greatest differ."""
    if not kept:
        return None
    columns, values = ["run time, s"], [kept[0][1]]
    for name, _, low, high in kept:
        if np.array_equal(low, high, equal_nan=True):
            columns.append(name)
            values.append(low)
        else:
            columns += [f"least {name}", f"greatest {name}"]
            values += [low, high]
    return ChartData(tuple(columns), tuple(tuple(map(float, v)) for v in values))


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
