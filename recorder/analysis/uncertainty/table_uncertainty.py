"""Expanded uncertainty of every row of the run table.

What happened in a section is its mean: scatter inside it is no error. What remains are the
instruments (calibration, zero, wheel) and, for the corrected columns, mass, rotary allowance,
grade, curve constant and acceleration, each added in quadrature (JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.corrections import G_M_S2
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import Train
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.measured import COVERAGE, quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Columns = dict[str, NDArray[np.float64] | list[str]]

__all__ = ["with_uncertainty"]

_AFTER: Final = {
    "pull_U_kN": "pull_kN",
    "speed_U_m_s": "speed_m_s",
    "power_U_kW": "power_kW",
    "distance_U_m": "distance_m",
    "work_draft_U_kJ": "work_draft_kJ",
    "work_buff_U_kJ": "work_buff_kJ",
    "equivalent_pull_U_kN": "equivalent_pull_kN",
    "trailing_resistance_U_kN": "trailing_resistance_kN",
}


def with_uncertainty(
    columns: Columns, series: Series, evidence: InstrumentUncertainty, train: Train
) -> Columns:
    """The columns of :func:`run_table.table` with ``…_U_…`` ones beside."""
    pull, speed = _column(columns, "pull_kN"), _column(columns, "speed_m_s")
    seconds = _column(columns, "t_end_s") - _column(columns, "t_start_s")
    rel = evidence.wheel_rel_u
    u_pull = np.hypot(_calibration(pull, evidence), evidence.zero_u_kN)
    metres = _column(columns, "distance_m")
    found = {
        "pull_U_kN": u_pull,
        "speed_U_m_s": np.abs(speed) * rel,
        "power_U_kW": np.hypot(u_pull * np.abs(speed), _column(columns, "power_kW") * rel),
        "distance_U_m": np.abs(metres) * rel,
    }
    for side in ("draft", "buff"):
        work = _column(columns, f"work_{side}_kJ")
        # The pull of one sign need not have acted over the whole section: an upper bound.
        share = np.where(work == 0.0, 0.0, 1.0)
        found[f"work_{side}_U_kJ"] = np.hypot(u_pull * np.abs(metres) * share, work * rel)
    bend = np.abs(_column(columns, "curvature_per_km")) / 1000.0
    a = _column(columns, "acceleration_m_s2")
    u_a = series.u_acceleration_m_s2 / np.maximum(seconds / 5.0, 1.0)
    for name, grade, mass, rotary in (
        ("equivalent_pull", "locomotive", train.locomotive_mass_t, train.locomotive_rotary),
        ("trailing_resistance", "trailing", train.trailing_mass_t, train.trailing_rotary),
    ):
        slope = _column(columns, f"{grade}_grade_pct") / 100.0
        found[f"{name}_U_kN"] = np.hypot(
            u_pull, _corrections(mass, rotary, slope, bend, a, u_a, train)
        )
    k = quantile(0.5 + COVERAGE / 2, evidence.pull_dof)
    out: Columns = {}
    for name, values in columns.items():
        out[name] = values
        for new, after in _AFTER.items():
            if after == name:
                known = np.isfinite(np.asarray(values, np.float64))
                out[new] = np.where(known, k * found[new], np.nan)
    return out


def _column(columns: Columns, name: str) -> NDArray[np.float64]:
    return np.asarray(columns[name], dtype=np.float64)


def _calibration(
    force: NDArray[np.float64], evidence: InstrumentUncertainty
) -> NDArray[np.float64]:
    """Standard uncertainty of the calibration (n,) by straight lines between 41 forces."""
    top = max(float(np.nanmax(np.abs(force), initial=0.0)), 1e-9)
    at = np.linspace(-top, top, 41)
    known = [evidence.pull_u_kN(float(f)) for f in at]
    return np.interp(np.nan_to_num(force), at, known)


def _corrections(
    mass_t: float | None,
    rotary: float,
    grade: NDArray[np.float64],
    curvature_per_m: NDArray[np.float64],
    a: NDArray[np.float64],
    u_a: NDArray[np.float64],
    train: Train,
) -> NDArray[np.float64]:
    """Standard uncertainty of the sum of the corrections (n,), kN; NaN with no mass."""
    if mass_t is None:
        return np.full(len(grade), np.nan)
    told = train.assumed
    weight = mass_t * G_M_S2
    curve = weight * told.curve_N_per_kN_m * curvature_per_m / 1000.0
    whole = weight * grade + curve + mass_t * (1.0 + rotary) * a
    parts = (
        whole * told.mass_rel,
        np.full(len(grade), weight * np.hypot(told.grade, told.grade_common)),
        curve * told.curve_rel,
        mass_t * a * told.rotary,
        mass_t * (1.0 + rotary) * u_a,
    )
    return np.asarray(np.sqrt(np.sum(np.square(parts), axis=0)))
