"""Expanded uncertainty of every row of the run table.

What happened in a section is its mean: scatter inside it is no error. What remains are the
instruments (calibration, zero, wheel) and, for the corrected columns, mass, rotary allowance,
grade, curve constant and acceleration, each added in quadrature (JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.measured import COVERAGE, quantile
from recorder.analysis.uncertainty.stretch_means import ACCELERATION_WINDOW_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.run_table import Columns
    from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["with_uncertainty"]

_BESIDE: Final = {
    "pull_kN": "pull_U_kN",
    "speed_m_s": "speed_U_m_s",
    "power_kW": "power_U_kW",
    "distance_m": "distance_U_m",
    "work_draft_kJ": "work_draft_U_kJ",
    "work_buff_kJ": "work_buff_U_kJ",
    "equivalent_pull_kN": "equivalent_pull_U_kN",
    "trailing_resistance_kN": "trailing_resistance_U_kN",
}
"""Column of a mean → the column of its expanded uncertainty, set to its right."""


def with_uncertainty(columns: Columns, run: RunBasis) -> Columns:
    """The columns of :func:`run_table.run_table` with ``…_U_…`` ones beside."""
    found = {**_as_read(columns, run.instruments), **_as_corrected(columns, run)}
    # The instruments' parts have no stated degrees of freedom: k of the normal distribution.
    k = quantile(0.5 + COVERAGE / 2, math.inf)
    out: Columns = {}
    for name, values in columns.items():
        out[name] = values
        beside = _BESIDE.get(name)
        if beside is not None:
            known = np.isfinite(np.asarray(values, np.float64))
            out[beside] = np.where(known, k * found[beside], np.nan)
    return out


def _as_read(
    columns: Columns, instruments: InstrumentUncertainty
) -> dict[str, NDArray[np.float64]]:
    """Standard uncertainties (n,) of what was read."""
    u_pull = _pull_u_kN(columns, instruments)
    speed, metres = _column(columns, "speed_m_s"), _column(columns, "distance_m")
    rel = instruments.wheel_rel_u
    found = {
        "pull_U_kN": u_pull,
        "speed_U_m_s": np.abs(speed) * rel,
        "power_U_kW": np.hypot(u_pull * np.abs(speed), _column(columns, "power_kW") * rel),
        "distance_U_m": np.abs(metres) * rel,
    }
    for sense in ("draft", "buff"):
        work = _column(columns, f"work_{sense}_kJ")
        # The pull of one sign need not have acted over the whole section: an upper bound.
        share = np.where(work == 0.0, 0.0, 1.0)
        found[f"work_{sense}_U_kJ"] = np.hypot(u_pull * np.abs(metres) * share, work * rel)
    return found


def _as_corrected(columns: Columns, run: RunBasis) -> dict[str, NDArray[np.float64]]:
    """Standard uncertainties (n,) of the two corrected pulls."""
    u_pull = _pull_u_kN(columns, run.instruments)
    return {
        f"{name}_U_kN": np.hypot(u_pull, _corrections_u_kN(columns, run, side))
        for name, side in (
            ("equivalent_pull", Side.LOCOMOTIVE),
            ("trailing_resistance", Side.TRAILING),
        )
    }


def _pull_u_kN(columns: Columns, instruments: InstrumentUncertainty) -> NDArray[np.float64]:
    return np.hypot(instruments.pulls_u_kN(_column(columns, "pull_kN")), instruments.zero_u_kN)


def _column(columns: Columns, name: str) -> NDArray[np.float64]:
    return np.asarray(columns[name], dtype=np.float64)


def _corrections_u_kN(columns: Columns, run: RunBasis, side: Side) -> NDArray[np.float64]:
    """Standard uncertainty of the sum of the corrections (n,), kN; NaN with no mass."""
    vehicles, assumed = run.train.vehicles(side), run.train.assumed
    grade = _column(columns, f"{side}_grade_pct") / 100.0
    if vehicles.mass_t is None:
        return np.full(len(grade), np.nan)
    a = _column(columns, "acceleration_m_s2")
    seconds = _column(columns, "t_end_s") - _column(columns, "t_start_s")
    u_a = run.series.u_acceleration_m_s2 / np.maximum(seconds / ACCELERATION_WINDOW_S, 1.0)
    curvature_per_m = np.abs(_column(columns, "curvature_per_km")) / 1000.0
    weight = vehicles.mass_t * G_M_S2
    inertial_t = vehicles.mass_t * (1.0 + vehicles.rotary)
    curve = weight * assumed.curve_N_per_kN_m * curvature_per_m / 1000.0
    whole = weight * grade + curve + inertial_t * a
    parts = (
        whole * run.train.mass_rel_u(side),
        np.full(len(grade), weight * np.hypot(assumed.grade, assumed.grade_common)),
        curve * assumed.curve_rel,
        vehicles.mass_t * a * run.train.rotary_u(side),
        inertial_t * u_a,
    )
    return np.asarray(np.sqrt(np.sum(np.square(parts), axis=0)))
