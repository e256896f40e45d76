"""The run table: pull, speed, power, work, grade and curve along the run on a chosen grid."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.series.corrections import Corrected
from recorder.analysis.series.series import Series
from recorder.analysis.series.wind import wind_along_m_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.marks.kinds import Kind
    from recorder.marks.mark import Mark

__all__ = ["Section", "per_distance", "per_time", "sections_between_marks", "table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A named piece of the run by bins of the series."""

    name: str
    start: int
    stop: int


def per_time(series: Series, seconds: float) -> list[Section]:
    """Sections of even duration.

    Raises
    ------
    ValueError
        ``seconds`` is shorter than one bin of the series.
    """
    bins = round(seconds / series.step_s)
    if bins < 1:
        msg = f"a grid of {seconds} s is finer than the series' {series.step_s} s"
        raise ValueError(msg)
    starts = range(0, len(series), bins)
    return [
        Section(
            name=f"{series.t_s[i] - series.step_s / 2:.3f} s",
            start=i,
            stop=min(i + bins, len(series)),
        )
        for i in starts
    ]


def per_distance(series: Series, metres: float) -> list[Section]:
    """Sections of even distance run, cut at the bins of the series; standing adds to none.

    Raises
    ------
    ValueError
        ``metres`` is not above zero.
    """
    if not metres > 0.0:
        msg = f"a distance grid must be above zero, got {metres} m"
        raise ValueError(msg)
    travelled = np.concatenate(
        ([0.0], np.cumsum(np.abs(np.nan_to_num(series.speed_m_s)) * series.step_s))
    )
    number = np.floor(travelled[:-1] / metres).astype(np.int64)
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    stops = np.append(starts[1:], len(series))
    return [
        Section(name=f"{number[a] * metres:.0f} m", start=int(a), stop=int(b))
        for a, b in zip(starts, stops, strict=True)
    ]


def sections_between_marks(series: Series, marks: Sequence[Mark], kind: Kind) -> list[Section]:
    """Sections from each mark of a kind to the next (mileposts, stations, or any kind)."""
    held = sorted((m for m in marks if m.kind is kind), key=lambda m: m.t_s)
    out = []
    for first, second in itertools.pairwise(held):
        start, stop = np.searchsorted(series.t_s, (first.t_s, second.t_s))
        if stop > start:
            name = f"{first.value or kind} to {second.value or kind}"
            out.append(Section(name=name, start=int(start), stop=int(stop)))
    return out


def table(
    series: Series, corrected: Corrected, sections: Sequence[Section]
) -> dict[str, NDArray[np.float64] | list[str]]:
    """Columns of the run table, one row a section.

    Means are over time; work is pull over distance, draft and buff apart; ``covered`` is the
    share of the section with data, and means of a section with none are NaN.
    """
    starts = np.array([s.start for s in sections], dtype=np.int64)
    stops = np.array([s.stop for s in sections], dtype=np.int64)
    if not len(sections):
        starts = stops = np.zeros(0, np.int64)
    step = series.step_s
    ds = series.speed_m_s * step
    drift = (
        np.full(len(series), np.nan) if series.zero_drift_kN is None else series.zero_drift_kN
    )
    work = series.pull_kN * ds
    columns: dict[str, NDArray[np.float64] | list[str]] = {
        "section": [s.name for s in sections],
        "t_start_s": _at(series.t_s, starts) - step / 2,
        "t_end_s": _at(series.t_s, stops - 1) + step / 2,
        "covered": _mean(np.isfinite(work).astype(np.float64), starts, stops),
        "pull_kN": _mean(series.pull_kN, starts, stops),
        "pull_min_kN": _extreme(series.pull_min_kN, starts, stops, np.fmin),
        "pull_max_kN": _extreme(series.pull_max_kN, starts, stops, np.fmax),
        "speed_m_s": _mean(series.speed_m_s, starts, stops),
        "acceleration_m_s2": _mean(series.acceleration_m_s2, starts, stops),
        "power_kW": _mean(series.power_kW, starts, stops),
        "distance_m": _sum(ds, starts, stops),
        "work_draft_kJ": _sum(np.where(series.pull_kN > 0.0, work, 0.0), starts, stops),
        "work_buff_kJ": _sum(np.where(series.pull_kN < 0.0, work, 0.0), starts, stops),
        "chainage_m": _mean(series.chainage_m, starts, stops),
        "wind_along_m_s": _mean(
            wind_along_m_s(series.t_s, series.course_deg, series.marks), starts, stops
        ),
        "locomotive_grade_pct": 100.0 * _mean(series.locomotive_grade, starts, stops),
        "trailing_grade_pct": 100.0 * _mean(series.trailing_grade, starts, stops),
        "curvature_per_km": 1000.0 * _mean(series.trailing_curvature_per_m, starts, stops),
        "equivalent_pull_kN": _mean(corrected.equivalent_pull_kN, starts, stops),
        "trailing_resistance_kN": _mean(corrected.trailing_resistance_kN, starts, stops),
        "rim_effort_kN": _mean(corrected.rim_effort_kN, starts, stops),
        "adhesion": _mean(corrected.adhesion, starts, stops),
        "grade_correction_kN": _mean(corrected.locomotive_grade_kN, starts, stops),
        "curve_correction_kN": _mean(corrected.locomotive_curve_kN, starts, stops),
        "acceleration_correction_kN": _mean(
            corrected.locomotive_acceleration_kN, starts, stops
        ),
        "zero_drift_correction_kN": _mean(drift, starts, stops),
    }
    return columns


def _at(values: NDArray[np.float64], index: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(values[index], dtype=np.float64) if len(index) else np.zeros(0)


def _cumulative(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate(([0.0], np.cumsum(values)))


def _sum(
    values: NDArray[np.float64], starts: NDArray[np.int64], stops: NDArray[np.int64]
) -> NDArray[np.float64]:
    total = _cumulative(np.nan_to_num(values))
    count = _cumulative(np.isfinite(values).astype(np.float64))
    n = count[stops] - count[starts]
    return np.where(n > 0, total[stops] - total[starts], np.nan)


def _mean(
    values: NDArray[np.float64], starts: NDArray[np.int64], stops: NDArray[np.int64]
) -> NDArray[np.float64]:
    total = _cumulative(np.nan_to_num(values))
    count = _cumulative(np.isfinite(values).astype(np.float64))
    n = count[stops] - count[starts]
    out = np.full(len(starts), np.nan)
    np.divide(total[stops] - total[starts], n, out=out, where=n > 0)
    return out


def _extreme(
    values: NDArray[np.float64],
    starts: NDArray[np.int64],
    stops: NDArray[np.int64],
    which: np.ufunc,
) -> NDArray[np.float64]:
    return np.array(
        [
            which.reduce(values[a:b]) if b > a else np.nan
            for a, b in zip(starts, stops, strict=True)
        ]
    )
