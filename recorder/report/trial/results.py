"""``results.json``: every figure of the answer with its unit and expanded uncertainty.

Top level: ``format``, ``version``, ``software``, ``coverage``, ``settings``, ``overall``,
``figures`` (a flat list for programs: ``name``, ``run``, ``value``, ``unit``,
``expanded_uncertainty``, ``coverage_factor``, ``effective_dof``, ``causes``), ``bands``,
``stretches``, ``resistance``, ``ratings``, ``balancing_speeds``, ``monte_carlo``,
``propagated_margin``, ``runs`` (each with its ``ledger``), ``sources`` (the run files) and
``notes`` (what could not be said, in words). A figure that could not be made is absent, and
a note says why; no number is ever filled in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from recorder.analysis.campaign.answer import Answer, RunAnswer
from recorder.analysis.dynamics.energy import Ledger
from recorder.analysis.dynamics.resistance import ResistanceFit
from recorder.analysis.specification.performance import Band, StretchResult
from recorder.analysis.uncertainty.measured import COVERAGE, Measured

__all__ = ["figures", "ledger_figures", "measured_dict", "plain_values", "results"]

FORMAT = "testcar results"
VERSION = 1


def results(
    answer: Answer, *, software: str, sources: Sequence[dict[str, Any]] = ()
) -> dict[str, Any]:
    """The whole of ``results.json`` as plain JSON values (no NaN, no infinity).

    ``sources`` describes the run files; nothing here depends on when or where it is worked.
    """
    out: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "software": software,
        "coverage": COVERAGE,
        "settings": asdict(answer.settings),
        "overall": {
            "verdict": answer.overall.verdict,
            "reasons": list(answer.overall.reasons),
            "mean_margin": measured_dict(answer.overall.margin),
            "starting_verdict": answer.starting_verdict,
            "starting_pull": measured_dict(answer.starting),
            "starting_pull_specified_kN": answer.starting_limit_kN,
        },
        "figures": figures(answer),
        "bands": [_band(b) for b in answer.bands],
        "stretches": [_stretch(r) for run in answer.runs for r in run.results],
        "resistance": None if answer.resistance is None else _resistance(answer.resistance),
        "ratings": [
            {
                "grade_pct": 100.0 * r.grade,
                "curvature_per_km": 1000.0 * r.curvature_per_m,
                "speed_m_s": r.speed_m_s,
                "weather": r.weather,
                "pull_on_grade": measured_dict(r.pull_on_grade_kN),
                "trailing_load": measured_dict(r.trailing_t),
            }
            for r in answer.ratings
        ],
        "balancing_speeds": [
            {"grade_pct": 100.0 * g, "speed": measured_dict(v)} for g, v in answer.balancing
        ],
        "monte_carlo": None if answer.simulated is None else asdict(answer.simulated),
        "propagated_margin": measured_dict(answer.propagated_margin_kN),
        "runs": [_run(run) for run in answer.runs],
        "sources": list(sources),
        "notes": list(answer.notes),
    }
    cleaned: dict[str, Any] = plain_values(out)
    return cleaned


def figures(answer: Answer) -> list[dict[str, Any]]:
    """Every figure of the answer, flat; ``run`` is empty for the campaign's own."""
    rows: list[dict[str, Any]] = []

    def put(name: str, value: Measured | None, run: str = "") -> None:
        if value is not None and math.isfinite(value.value):
            rows.append({"name": name, "run": run, **value.to_dict()})

    put("mean margin over the specification", answer.overall.margin)
    put("starting pull", answer.starting)
    for band in answer.bands:
        where = f"{band.low_m_s * 3.6:.0f}-{band.high_m_s * 3.6:.0f} km/h"
        put(f"equivalent drawbar pull at {where}", band.pull)
        put(f"equivalent drawbar power at {where}", band.power)
        put(f"margin at {where}", band.margin)
    if answer.resistance is not None:
        for term, value in answer.resistance.coefficients.items():
            put(f"resistance {term}", value)
    for rating in answer.ratings:
        put(f"trailing load on {rating.grade * 100:.2f} %", rating.trailing_t)
    for grade, speed in answer.balancing:
        put(f"speed held on {grade * 100:.2f} %", speed)
    for run in answer.runs:
        _run_figures(run, put)
    return rows


def _run_figures(run: RunAnswer, put: Any) -> None:  # noqa: ANN401 - a local function
    name = run.loaded.name
    for key, value in ledger_figures(run.ledger).items():
        put(key.replace("_", " "), value, name)
    for peak in run.peaks:
        what = "pull" if peak.value.unit == "kN" else "power"
        put(f"highest {peak.seconds:.0f} s mean {what}", peak.value, name)
    for i, start in enumerate(run.starts, 1):
        put(f"start {i} breakaway pull", start.breakaway_pull, name)
        put(f"start {i} greatest pull", start.greatest_pull, name)
    for i, stop in enumerate(run.stops, 1):
        put(f"stop {i} speed", stop.speed, name)
        put(f"stop {i} distance", stop.distance, name)
        put(f"stop {i} time", stop.duration, name)
        put(f"stop {i} mean retardation", stop.retardation, name)
    for used in (run.fuel, run.water):
        if used is not None:
            put(f"{used.kind} used", used.used, name)
            put(f"{used.kind} per drawbar kWh", used.per_kWh, name)
            put(f"{used.kind} per drawbar hp·h", used.per_hp_h, name)
    put("evaporation", run.evaporation, name)


def ledger_figures(held: Ledger) -> dict[str, Measured | None]:
    """The lines of a ledger by name, kJ."""
    return {
        "draft_work": held.draft_work,
        "buff_work": held.buff_work,
        "total_work": held.total_work,
        "potential_energy": held.potential,
        "kinetic_energy": held.kinetic,
        "curve_work": held.curve,
        "rolling_work": held.rolling,
        "closure": held.closure,
    }


def measured_dict(value: Measured | None) -> dict[str, Any] | None:
    """A figure as JSON values; ``None`` when there is none."""
    return None if value is None or not math.isfinite(value.value) else value.to_dict()


def _band(band: Band) -> dict[str, Any]:
    return {
        "low_m_s": band.low_m_s,
        "high_m_s": band.high_m_s,
        "stretches": band.stretches,
        "speed": measured_dict(band.speed),
        "pull": measured_dict(band.pull),
        "power": measured_dict(band.power),
        "margin": measured_dict(band.margin),
        "specified_kN": band.limit_kN,
        "verdict": band.verdict,
        "probability_of_meeting": band.probability,
    }


def _stretch(result: StretchResult) -> dict[str, Any]:
    return {
        "run": result.run,
        "t_start_s": result.stretch.t_start_s,
        "t_end_s": result.stretch.t_end_s,
        "setting": result.stretch.setting.text,
        "source": result.stretch.source,
        "reason": result.stretch.reason,
        "judged": result.judged,
        "speed": measured_dict(result.speed),
        "pull": measured_dict(result.pull),
        "power": measured_dict(result.power),
        "margin": measured_dict(result.margin),
        "specified_kN": result.limit_kN,
    }


def _resistance(fit: ResistanceFit) -> dict[str, Any]:
    return {
        "form": "A + B·V + C·V² in N/t, V in km/h",
        "coefficients": {t: measured_dict(v) for t, v in fit.coefficients.items()},
        "observations": fit.observations,
        "residual_sd_N_per_t": fit.residual_sd_N_per_t,
        "speed_km_h": list(fit.speed_km_h),
        "constraints": list(fit.constraints),
    }


def _run(run: RunAnswer) -> dict[str, Any]:
    loaded = run.loaded
    held = run.ledger
    return {
        "name": loaded.name,
        "run_id": loaded.run_id,
        "duration_s": loaded.duration_s,
        "started_utc_ns": loaded.started_utc_ns,
        "grade_source": loaded.series.grade_source,
        "marks": len(loaded.marks),
        "gaps": len(loaded.gaps),
        "metres": held.metres,
        "seconds_with_data": held.seconds,
        "seconds_missing": held.seconds_missing,
        "seconds_braked": held.brake_seconds,
        "ledger": {k: measured_dict(v) for k, v in ledger_figures(held).items()},
        "ledger_closes": held.closes,
        "notes": list(run.notes),
        **loaded.facts,
    }


def plain_values(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    """JSON values only: numpy numbers made plain, NaN and infinity made ``null``."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): plain_values(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain_values(v) for v in value]
    if hasattr(value, "item"):
        return plain_values(value.item())
    return value
