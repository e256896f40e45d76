"""``results.json``: every figure of the answer with its unit and expanded uncertainty.

Top level: ``format``, ``version``, ``software``, ``coverage``, ``settings``, ``overall``,
``figures`` (a flat list for programs: ``name``, ``run``, ``value``, ``unit``,
``expanded_uncertainty``, ``coverage_factor``, ``effective_dof``, ``causes``), ``bands``,
``stretches``, ``resistance``, ``ratings``, ``balancing_speeds``, ``monte_carlo``,
``propagated_margin``, ``runs`` (each with its ``energy_balance``), ``sources`` (the run
files) and ``notes`` (what could not be stated, in words). A figure that could not be made is
absent, and a note says why; no number is ever filled in.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from recorder.analysis.campaign.answer import CampaignAnswer
from recorder.analysis.campaign.assumptions import assumptions_of
from recorder.analysis.campaign.run_answer import RunAnswer
from recorder.analysis.campaign.unmade import Unmade
from recorder.analysis.dynamics.energy import EnergyBalance
from recorder.analysis.dynamics.mass import MassCheck
from recorder.analysis.dynamics.resistance import ResistanceFit
from recorder.analysis.dynamics.tonnage import Rating
from recorder.analysis.specification.bands import Band
from recorder.analysis.specification.conditions import PartVerdict
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.measured import COVERAGE, Measured
from recorder.track.placing.placement import MarkUse

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.exchange.time_told import ClockOfRun
    from recorder.track.placing.placement import Placement
    from recorder.track.route.route import Route

__all__ = [
    "UNACCOUNTED",
    "balance_figures",
    "figures",
    "measured_json",
    "plain_values",
    "results_json",
]

FORMAT = "testcar results"
VERSION = 1


def results_json(
    answer: CampaignAnswer, *, software: str, unmade: Sequence[Unmade] = ()
) -> dict[str, Any]:
    """The whole of ``results.json`` as plain JSON values (no NaN, no infinity).

    ``unmade`` is what of the report could not be made.

    Nothing here depends on when or where it is worked.
    """
    simulated = answer.simulated
    out: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "software": software,
        "coverage": COVERAGE,
        "settings": asdict(answer.settings),
        "overall": _overall(answer),
        "figures": figures(answer),
        "bands": [_band(b) for b in answer.bands],
        "conditions": [
            _part(p) for p in (*answer.conditions.by_run, *answer.conditions.by_rail)
        ],
        "doubts": [
            {"run": run.loaded.name, **asdict(d)} for run in answer.runs for d in run.doubts
        ],
        "homogeneity": asdict(answer.conditions.homogeneity),
        "stretches": [_stretch(r) for run in answer.runs for r in run.results],
        "resistance": _resistance(answer.resistance.fit),
        "ratings": [_rating(r) for r in answer.rating.ratings],
        "grades_not_climbed_pct": [100.0 * g for g in answer.rating.not_climbed],
        "car_factor_t": answer.rating.car_factor_t,
        "balancing_speeds": [
            {"grade_pct": 100.0 * b.grade, "speed": measured_json(b.speed)}
            for b in answer.rating.balancing
        ],
        "monte_carlo": None if simulated is None else asdict(simulated),
        "propagated_margin": measured_json(answer.propagated_margin_kN),
        "runs": [_run(run) for run in answer.runs],
        "sources": [_source(run.loaded) for run in answer.runs],
        "unmade": [asdict(u) for u in unmade],
        "notes": [*answer.notes, *(u.in_words for u in unmade)],
    }
    cleaned: dict[str, Any] = plain_values(out)
    return cleaned


def _overall(answer: CampaignAnswer) -> dict[str, Any]:
    return {
        "verdict": answer.overall.verdict,
        "reasons": list(answer.overall.reasons),
        "mean_margin": measured_json(answer.overall.margin),
        "starting_verdict": answer.starting_verdict,
        "starting_pull": measured_json(answer.starting),
        "starting_pull_specified_kN": answer.starting_limit_kN,
    }


def figures(answer: CampaignAnswer) -> list[dict[str, Any]]:
    """Every figure of the answer, flat; ``run`` is empty for the campaign's own."""
    named = [("", *figure) for figure in _campaign_figures(answer)]
    named += [(run.loaded.name, *figure) for run in answer.runs for figure in _run_figures(run)]
    return [
        {"name": name, "run": run, **value.to_dict()}
        for run, name, value in named
        if value is not None and math.isfinite(value.value)
    ]


def _campaign_figures(answer: CampaignAnswer) -> Iterator[tuple[str, Measured | None]]:
    yield "mean margin over the specification", answer.overall.margin
    yield "starting pull", answer.starting
    for band in answer.bands:
        if not band.admitted:
            continue
        yield f"equivalent drawbar pull at {band.name}", band.pull
        yield f"equivalent drawbar power at {band.name}", band.power
        yield f"margin at {band.name}", band.margin
    if answer.resistance.fit is not None:
        for term, value in answer.resistance.fit.coefficients.items():
            yield f"resistance {term}", value
    for rating in answer.rating.ratings:
        yield f"trailing load on {rating.grade * 100:.2f} %", rating.trailing_t
    for held in answer.rating.balancing:
        yield f"balancing speed on {held.grade * 100:.2f} %", held.speed


def _run_figures(run: RunAnswer) -> Iterator[tuple[str, Measured | None]]:
    for key, value in balance_figures(run.energy_balance).items():
        yield key.replace("_", " "), value
    for peak in run.peaks:
        yield peak.name, peak.value
    for i, start in enumerate(run.starts, 1):
        yield f"start {i} breakaway pull", start.breakaway_pull
        yield f"start {i} greatest pull", start.greatest_pull
    for i, stop in enumerate(run.stops, 1):
        yield f"stop {i} speed", stop.speed
        yield f"stop {i} distance", stop.distance
        yield f"stop {i} time", stop.duration
        yield f"stop {i} mean retardation", stop.retardation
    for used in (run.fuel, run.water):
        if used is not None:
            yield f"{used.kind} used", used.used
            yield f"{used.kind} per drawbar kWh", used.per_kWh
            yield f"{used.kind} per drawbar hp·h", used.per_hp_h
    yield "evaporation", run.evaporation
    if run.mass_check is not None:
        yield "trailing mass by grades and starts", run.mass_check.estimate.joined


UNACCOUNTED: Final = "energy_unaccounted_for"


def balance_figures(held: EnergyBalance) -> dict[str, Measured | None]:
    """The lines of a balance by name, kJ."""
    return {
        "draft_work": held.draft_work,
        "buff_work": held.buff_work,
        "total_work": held.total_work,
        "potential_energy": held.potential,
        "kinetic_energy": held.kinetic,
        "curve_work": held.curve,
        "rolling_work": held.rolling,
        UNACCOUNTED: held.unaccounted,
    }


def measured_json(value: Measured | None) -> dict[str, Any] | None:
    """A figure as JSON values; ``None`` when there is none."""
    return None if value is None or not math.isfinite(value.value) else value.to_dict()


def _band(band: Band) -> dict[str, Any]:
    return {
        "low_m_s": band.low_m_s,
        "high_m_s": band.high_m_s,
        "stretches": band.stretches,
        "speed": measured_json(band.speed),
        "pull": measured_json(band.pull),
        "power": measured_json(band.power),
        "margin": measured_json(band.margin),
        "specified_kN": band.limit_kN,
        "admitted": band.admitted,
        "refused": band.refused,
        "refused_because": [{"reason": why, "stretches": n} for why, n in band.refusals],
        "ridden_m_s": [list(r) for r in band.ridden_m_s],
        "verdict": band.in_words,
        "probability_of_meeting": band.probability,
    }


def _part(part: PartVerdict) -> dict[str, Any]:
    return {
        "what": part.what,
        "value": part.value,
        "runs": list(part.runs),
        "stretches": part.stretches,
        "verdict": part.overall.verdict,
        "reasons": list(part.overall.reasons),
        "mean_margin": measured_json(part.overall.margin),
        "bands": [_band(b) for b in part.bands],
    }


def _stretch(result: StretchResult) -> dict[str, Any]:
    return {
        "run": result.extent.run,
        "t_start_s": result.stretch.t_start_s,
        "t_end_s": result.stretch.t_end_s,
        "setting": result.stretch.setting.text,
        "source": result.stretch.source,
        "reason": result.stretch.reason,
        "judged": result.judged,
        "admitted": result.admission.admitted,
        "refused_because": list(result.admission.reasons),
        "criteria": [asdict(c) for c in result.admission.criteria],
        "speed": measured_json(result.speed),
        "pull": measured_json(result.pull),
        "power": measured_json(result.power),
        "margin": measured_json(result.margin if result.judged else None),
        "margin_if_judged": measured_json(result.margin),
        "specified_kN": result.limit_kN,
    }


def _resistance(fit: ResistanceFit | None) -> dict[str, Any] | None:
    if fit is None:
        return None
    return {
        "form": "A + B·V + C·V² in N/t, V in km/h",
        "coefficients": {t: measured_json(v) for t, v in fit.coefficients.items()},
        "observations": fit.observations,
        "residual_sd_N_per_t": fit.residual_sd_N_per_t,
        "speed_km_h": list(fit.speed_km_h),
        "constraints": list(fit.constraints),
    }


def _rating(rating: Rating) -> dict[str, Any]:
    return {
        "grade_pct": 100.0 * rating.grade,
        "curvature_per_km": 1000.0 * rating.curvature_per_m,
        "speed_m_s": rating.speed_m_s,
        "weather": rating.weather,
        "pull_on_grade": measured_json(rating.pull_on_grade_kN),
        "trailing_load": measured_json(rating.trailing_t),
    }


def _utc(clock: ClockOfRun) -> dict[str, Any]:
    """When the run began; null where UTC is not known, with the reason."""
    return {
        "began": clock.began_utc if clock.known else None,
        "standard_uncertainty_s": clock.u_s,
        "source": clock.source,
        "why": clock.why,
    }


def _run(run: RunAnswer) -> dict[str, Any]:
    loaded, held = run.loaded, run.energy_balance
    return {
        "name": loaded.name,
        "run_id": loaded.run_id,
        "duration_s": loaded.duration_s,
        "utc": _utc(loaded.provenance.description.clock),
        "grade_source": loaded.series.grade_source,
        "marks": len(loaded.marks),
        "gaps": len(loaded.gaps),
        "channel_health": [e.to_json() for e in loaded.provenance.description.episodes],
        "metres": held.metres if math.isfinite(held.metres) else None,
        "seconds_with_data": held.seconds,
        "seconds_missing": held.seconds_missing,
        "seconds_braked": held.brake_seconds,
        "energy_balance": {k: measured_json(v) for k, v in balance_figures(held).items()},
        "energy_balance_closes": held.closes,
        "energy_balance_why_open": held.why_open or None,
        "energy_balance_seconds": held.balanced_seconds,
        "assumptions": [{**asdict(a), "stated": a.stated} for a in assumptions_of(loaded)],
        "mass_check": None if run.mass_check is None else _mass_check(run.mass_check),
        "notes": list(run.notes),
    }


def _mass_check(check: MassCheck) -> dict[str, Any]:
    return {
        "trailing_mass": measured_json(check.estimate.joined),
        "by_grade": measured_json(check.estimate.by_grade),
        "by_acceleration": measured_json(check.estimate.by_acceleration),
        "stated_t": check.stated_t,
        "stated_u_t": check.stated_u_t,
        "agrees": check.agrees,
    }


def _source(run: LoadedRun) -> dict[str, Any]:
    """The run file as ``testcar info`` shows it, and how it was placed."""
    provenance = run.provenance
    out = {
        **provenance.description.to_json(),
        "file": provenance.path.name,
        "name": run.name,
    }
    if provenance.placement is not None and run.route is not None:
        out["placement"] = _placement(run.route, provenance.placement)
    return out


def _placement(route: Route, placement: Placement) -> dict[str, Any]:
    return {
        "route": Path(route.source).name,
        "route_digest": route.digest,
        "wheel_scale": placement.scale,
        "wheel_scale_u": placement.u_scale,
        "crew_delay_s": placement.reaction_s,
        "crew_delay_u_s": placement.u_reaction_s,
        "greatest_U95_m": placement.greatest_u95_m,
        "marks_used": sum(m.status is MarkUse.USED for m in placement.marks),
        "marks_doubted": [
            {"t_s": m.t_s, "label": m.label, "status": m.status, "milepost": m.milepost}
            for m in placement.marks
            if m.status is not MarkUse.USED
        ],
        "mileposts_skipped": list(placement.skipped),
        "gnss_fixes_used": placement.gnss_used,
        "notes": list(placement.notes),
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
