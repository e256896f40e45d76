"""The run table: pull, speed, power, work, grade and curve along the run, one row a section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from recorder.analysis.series.corrections import Corrected
from recorder.analysis.series.sections import Section
from recorder.analysis.series.series import Series

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Columns: TypeAlias = dict[str, NDArray[np.float64] | list[str]]

__all__ = ["run_table"]


def run_table(
    series: Series,
    corrected: Corrected,
    sections: Sequence[Section],
    wind_m_s: NDArray[np.float64] | None = None,
) -> Columns:
    """Columns of the run table, one row a section.

    Means are over time; work is pull over distance, draft and buff apart; ``covered`` is the
    share of the section with data, and means of a section with none are NaN. ``wind_m_s`` (n,)
    is the wind along the track; without it that column is NaN.
    """
    rows = _Rows(
        np.array([s.start for s in sections], dtype=np.int64),
        np.array([s.stop for s in sections], dtype=np.int64),
    )
    unknown = np.full(len(series), np.nan)
    drift = unknown if series.zero_drift_kN is None else series.zero_drift_kN
    return {
        "section": [s.name for s in sections],
        "t_start_s": series.t_s[rows.starts] - series.step_s / 2,
        "t_end_s": series.t_s[rows.stops - 1] + series.step_s / 2,
        **_measured(series, rows),
        "chainage_m": rows.mean(series.chainage_m),
        "wind_along_m_s": rows.mean(unknown if wind_m_s is None else wind_m_s),
        "locomotive_grade_pct": 100.0 * rows.mean(series.locomotive_grade),
        "trailing_grade_pct": 100.0 * rows.mean(series.trailing_grade),
        "curvature_per_km": 1000.0 * rows.mean(series.trailing_curvature_per_m),
        "equivalent_pull_kN": rows.mean(corrected.equivalent_pull_kN),
        "trailing_resistance_kN": rows.mean(corrected.trailing_resistance_kN),
        "rim_effort_kN": rows.mean(corrected.rim_effort_kN),
        "adhesion": rows.mean(corrected.adhesion),
        "grade_correction_kN": rows.mean(corrected.locomotive.grade_kN),
        "curve_correction_kN": rows.mean(corrected.locomotive.curve_kN),
        "acceleration_correction_kN": rows.mean(corrected.locomotive.acceleration_kN),
        "zero_drift_correction_kN": rows.mean(drift),
    }


def _measured(series: Series, rows: _Rows) -> Columns:
    """What was measured, before any correction."""
    ds = series.speed_m_s * series.step_s
    pull = series.sound_pull_kN
    work = pull * ds
    return {
        "covered": rows.mean(np.isfinite(work).astype(np.float64)),
        "pull_kN": rows.mean(pull),
        "pull_min_kN": rows.extreme(series.pull_min_kN, np.fmin),
        "pull_max_kN": rows.extreme(series.pull_max_kN, np.fmax),
        "speed_m_s": rows.mean(series.speed_m_s),
        "acceleration_m_s2": rows.mean(series.acceleration_m_s2),
        "power_kW": rows.mean(series.power_kW),
        "distance_m": rows.sum(ds),
        "work_draft_kJ": rows.sum(np.where(pull < 0.0, 0.0, work)),
        "work_buff_kJ": rows.sum(np.where(pull > 0.0, 0.0, work)),
    }


@dataclass(frozen=True, slots=True)
class _Rows:
    """First bin and bin after the last of every row, (m,) each."""

    starts: NDArray[np.int64]
    stops: NDArray[np.int64]

    def sum(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        total, n = self._totals(values)
        return np.where(n > 0, total, np.nan)

    def mean(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        total, n = self._totals(values)
        out = np.full(len(self.starts), np.nan)
        np.divide(total, n, out=out, where=n > 0)
        return out

    def extreme(self, values: NDArray[np.float64], which: np.ufunc) -> NDArray[np.float64]:
        return np.array(
            [
                which.reduce(values[a:b]) if b > a else np.nan
                for a, b in zip(self.starts, self.stops, strict=True)
            ]
        )

    def _totals(
        self, values: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Sum and number of the known values of each row."""
        total = _cumulative(np.nan_to_num(values))
        count = _cumulative(np.isfinite(values).astype(np.float64))
        return (
            total[self.stops] - total[self.starts],
            count[self.stops] - count[self.starts],
        )


def _cumulative(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate(([0.0], np.cumsum(values)))
