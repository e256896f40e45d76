"""Tables of the answer as CSV and Parquet: units in the column names and in the field metadata."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np
import pyarrow as pa

from calibration.quantities.units import split_column
from calibration.quantities.written import symbol
from recorder.analysis.campaign.answer import CampaignAnswer
from recorder.analysis.campaign.run_answer import RunAnswer
from recorder.analysis.dynamics.published_resistance import (
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)
from recorder.analysis.series.marked import wind_along_m_s
from recorder.analysis.series.run_table import run_table
from recorder.analysis.series.sections import (
    Section,
    per_distance,
    per_time,
    sections_between_marks,
    sections_on_route,
)
from recorder.analysis.series.series import Series
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.table_uncertainty import with_uncertainty
from recorder.marks.kinds import Kind, kind_or_name
from recorder.report.data.results_json import UNACCOUNTED, balance_figures, figures
from recorder.report.data.table_files import keep_csv, keep_parquet

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["grid_sections", "write_tables"]


def grid_sections(run: LoadedRun, grid: str) -> list[Section]:
    """Sections of a run by a grid: ``10s``, ``100m``, or the kind of a mark (``milepost``).

    On a placed run mileposts and stations are the route's own, which no slip of a key moves.

    Raises
    ------
    ValueError
        The grid is none of these.
    """
    series = run.series
    grid = grid.replace(" ", "").lower()
    for ending, cut in (("km", _per_km), ("m", per_distance), ("s", _per_time)):
        number = grid.removesuffix(ending)
        if grid.endswith(ending) and number.replace(".", "", 1).isdigit():
            return cut(series, float(number))
    kind = kind_or_name(grid)
    if isinstance(kind, Kind):
        on_line = kind in (Kind.MILEPOST, Kind.STATION)
        placed = sections_on_route(series.chainage_m, run.route, kind) if on_line else []
        return placed or sections_between_marks(series, run.marks, kind)
    msg = (
        f"grid {grid!r}: give e.g. 10s, 100m, 1km, or a kind of mark such as milepost, station or"
        " section"
    )
    raise ValueError(msg)


def _per_time(series: Series, seconds: float) -> list[Section]:
    """By time; a grid finer than the record's own step has the rows of the record."""
    return per_time(series, max(seconds, series.step_s) if seconds > 0.0 else seconds)


def _per_km(series: Series, km: float) -> list[Section]:
    return per_distance(series, km * 1000.0)


def write_tables(answer: CampaignAnswer, folder: Path, *, grid: str = "1s") -> list[Path]:
    """Write every table; returns the files.

    The run table is written whole and once more as ``run_table/run=NAME/part.parquet``, the
    usual partitioning of query engines.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    run_tables = [_run_table(run, grid) for run in answer.runs]
    held = {"run_table": pa.concat_tables(run_tables)}
    held |= {name: _rows_table(rows) for name, rows in _rows(answer).items()}
    _remove_earlier(folder, held)
    for name, content in held.items():
        if content.num_columns == 0:
            continue
        stated = _with_units(content)
        keep_parquet(stated, folder / f"{name}.parquet")
        keep_csv(stated, folder / f"{name}.csv")
        made += [folder / f"{name}.parquet", folder / f"{name}.csv"]
    for run, content in zip(answer.runs, run_tables, strict=True):
        place = folder / "run_table" / f"run={quote(run.loaded.name, safe='')}"
        place.mkdir(parents=True, exist_ok=True)
        keep_parquet(_with_units(content.drop_columns(["run"])), place / "part.parquet")
    # What the writers held back is wanted by the pages.
    pa.default_memory_pool().release_unused()
    return made


def _rows(answer: CampaignAnswer) -> dict[str, list[dict[str, Any]]]:
    """Rows of every table but the run table."""
    flat = [{k: v for k, v in row.items() if k != "causes"} for row in figures(answer)]
    return {
        "bands": _bands(answer),
        "test_sections": _stretches(answer),
        "admission": _admission(answer),
        "figures": flat,
        "energy_balance": _energy_balance(answer),
        "resistance": _resistance(answer),
        "runs": _runs(answer),
        "marks": _marks(answer),
        "gaps": _gaps(answer),
        "zeros": _zeros(answer),
        "ratings": _ratings(answer),
        "resistance_pieces": _observations(answer),
    }


def _remove_earlier(folder: Path, names: Iterable[str]) -> None:
    """Take away the tables of an earlier report: a run left out now must not be queried."""
    for name in names:
        for ending in ("parquet", "csv"):
            (folder / f"{name}.{ending}").unlink(missing_ok=True)
    for part in (folder / "run_table").glob("run=*/part.parquet"):
        part.unlink()
        if not any(part.parent.iterdir()):
            part.parent.rmdir()


def _run_table(run: RunAnswer, grid: str) -> pa.Table:
    loaded = run.loaded
    series = loaded.series
    wind = wind_along_m_s(series.t_s, series.course_deg, loaded.marks)
    rows = run_table(series, loaded.corrected, grid_sections(loaded, grid), wind)
    columns = with_uncertainty(rows, loaded)
    n = len(columns["section"])
    named: dict[str, Any] = {"run": pa.array([run.loaded.name] * n, pa.string())}
    for name, values in columns.items():
        named[name] = (
            pa.array(values, pa.string())
            if isinstance(values, list)
            else pa.array(np.asarray(values, np.float64), from_pandas=True)
        )
    return pa.table(named)


def _rows_table(rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    return pa.Table.from_pylist([dict(r) for r in rows]) if rows else pa.table({})


def _with_units(content: pa.Table) -> pa.Table:
    fields = []
    for field in content.schema:
        _, ending = split_column(field.name)
        unit = symbol(ending) if ending else ""
        fields.append(field.with_metadata({"unit": unit} if unit else None))
    return content.cast(pa.schema(fields))


def _pair(name: str, unit: str, value: Measured | None, factor: float = 1.0) -> dict[str, Any]:
    if value is None or not np.isfinite(value.value):
        return {f"{name}_{unit}": None, f"{name}_U_{unit}": None}
    return {
        f"{name}_{unit}": _known(value.value * factor),
        f"{name}_U_{unit}": _known(value.expanded * factor),
    }


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _energy_balance(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "run": run.loaded.name,
            "energy": name.replace("_", " "),
            **_pair("energy", "kJ", value),
            "closes": run.energy_balance.closes if name == UNACCOUNTED else None,
        }
        for run in answer.runs
        for name, value in balance_figures(run.energy_balance).items()
        if value is not None
    ]


def _resistance(answer: CampaignAnswer) -> list[dict[str, Any]]:
    """The fit at whole steps of speed, beside the published formulas."""
    fit = answer.resistance.fit
    if fit is None:
        return []
    low, high = fit.speed_km_h
    load = answer.runs[0].loaded.train.trailing.axle_load_t
    rows = []
    for v in np.arange(np.ceil(low), high + 1e-9):
        davis, modified = (
            None if load is None else float(f(v, axle_load_t=load))
            for f in (davis_1926_N_per_t, modified_davis_N_per_t)
        )
        rows.append(
            {
                "speed_km_h": float(v),
                **_pair("resistance", "N_per_t", fit.at(float(v))),
                "davis_1926_N_per_t": davis,
                "modified_davis_N_per_t": modified,
            }
        )
    return rows


def _observations(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "run": o.run,
            "speed_km_h": o.speed_km_h,
            "resistance_N_per_t": o.resistance.value,
        }
        for o in answer.resistance.observations
    ]


def _runs(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "run": run.loaded.name,
            "run_id": run.loaded.run_id,
            "duration_s": run.loaded.duration_s,
            "distance_m": _known(run.energy_balance.metres),
            "locomotive_mass_t": run.loaded.train.locomotive.mass_t,
            "trailing_mass_t": run.loaded.train.trailing.mass_t,
            "grade_source": run.loaded.series.grade_source,
            "test_sections": len(run.results),
            "marks": len(run.loaded.marks),
            "gaps": len(run.loaded.gaps),
            "without_data_s": run.energy_balance.seconds_missing,
        }
        for run in answer.runs
    ]


def _bands(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "low_m_s": b.low_m_s,
            "high_m_s": b.high_m_s,
            "test_sections": b.stretches,
            **_pair("speed", "m_s", b.speed),
            **_pair("pull", "kN", b.pull),
            **_pair("power", "kW", b.power),
            **_pair("margin", "kN", b.margin),
            "specified_kN": _known(b.limit_kN),
            "probability_of_meeting": _known(b.probability),
            "admitted": b.admitted,
            "refused": b.refused,
            "verdict": b.in_words,
        }
        for b in answer.bands
    ]


def _stretches(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "run": r.extent.run,
            "start_s": r.stretch.t_start_s,
            "end_s": r.stretch.t_end_s,
            "throttle": r.stretch.setting.text,
            "source": r.stretch.source,
            "reason": r.stretch.reason,
            "judged": r.judged,
            "admitted": r.admission.admitted,
            "refused_because": "; ".join(r.admission.reasons),
            **_pair("speed", "m_s", r.speed),
            **_pair("pull", "kN", r.pull),
            **_pair("power", "kW", r.power),
            **_pair("margin", "kN", r.margin if r.judged else None),
            "specified_kN": _known(r.limit_kN),
        }
        for run in answer.runs
        for r in run.results
    ]


def _admission(answer: CampaignAnswer) -> list[dict[str, Any]]:
    """One row a criterion of a stretch."""
    return [
        {
            "run": r.extent.run,
            "start_s": r.stretch.t_start_s,
            "end_s": r.stretch.t_end_s,
            "criterion": c.kind.value,
            "value": c.value,
            "limit": c.limit,
            "passed": "not known" if c.passed is None else ("yes" if c.passed else "no"),
            "reason": c.reason if c.refuses else "",
        }
        for run in answer.runs
        for r in run.results
        for c in r.admission.criteria
    ]


def _marks(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "run": run.loaded.name,
            "time_s": m.t_s,
            "kind": m.kind,
            "value": m.value,
            "note": m.note,
            "by": m.by,
        }
        for run in answer.runs
        for m in run.loaded.marks
    ]


def _gaps(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "run": run.loaded.name,
            "device": g.device,
            "start_s": g.t_start_s,
            "end_s": g.t_end_s,
            "cause": g.cause,
            "detail": g.detail,
            "lost_records": g.lost_records,
        }
        for run in answer.runs
        for g in run.loaded.gaps
    ]


def _zeros(answer: CampaignAnswer) -> list[dict[str, Any]]:
    """One row a zero, accepted, refused or withdrawn, with what it is worth."""
    return [
        {
            "run": run.loaded.name,
            "number": worth.number,
            "channel": worth.zero.channel,
            "time_s": worth.zero.t_s,
            "when": worth.zero.when,
            "zero_counts": _known(worth.zero.counts),
            "u_counts": _known(worth.zero.u_counts),
            "u_kN": _known(worth.u_kN),
            "effect_on_pull_kN": _known(worth.effect_kN),
            "found": worth.state,
            "holds": worth.zero.holds,
            "reason": worth.zero.why,
            "by": worth.zero.by,
        }
        for run in answer.runs
        for worth in run.loaded.provenance.field_checks.zeros
    ]


def _ratings(answer: CampaignAnswer) -> list[dict[str, Any]]:
    return [
        {
            "grade_pct": r.grade * 100.0,
            "curvature_per_km": r.curvature_per_m * 1000.0,
            "speed_m_s": r.speed_m_s,
            "weather": r.weather,
            **_pair("pull_on_grade", "kN", r.pull_on_grade_kN),
            **_pair("load", "t", r.trailing_t),
        }
        for r in answer.rating.ratings
    ]
