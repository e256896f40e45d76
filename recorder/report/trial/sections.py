"""The report's content as blocks: one page of answer first, then all that it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities.written import written
from recorder.analysis.dynamics.published_resistance import (
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)
from recorder.analysis.stretches.stretch_edits import EditAction
from recorder.report.pages.charts import power_chart, rating_chart, resistance_chart
from recorder.report.pages.document import Block, Chart, Heading, Text, TextTable, plain, pm
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.report.trial.admission_section import admission_section
from recorder.report.trial.calibration_section import (
    calibration_section,
    reproduction_section,
)
from recorder.report.trial.conditions_section import conditions_section
from recorder.report.trial.first_page import first_page
from recorder.report.trial.method import method_section
from recorder.report.trial.run_section import run_section
from recorder.report.trial.uncertainty_section import uncertainty_section

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.dynamics.resistance import ResistanceFit
    from recorder.analysis.series.train import TrialTrain

__all__ = ["report_blocks"]


def report_blocks(answer: CampaignAnswer, units: ShownUnits = METRIC) -> list[Block]:
    """All blocks of the report, in order."""
    runs = [run.loaded for run in answer.runs]
    blocks: list[Block] = [
        *first_page(answer, units),
        *method_section(answer, units),
        *_performance(answer, units),
        *conditions_section(answer),
        *_resistance(answer, units),
        *_tonnage(answer, units),
    ]
    for run in answer.runs:
        blocks += run_section(run, units)
    blocks += uncertainty_section(answer)
    blocks += calibration_section(runs)
    blocks += _notes(answer)
    blocks += reproduction_section(runs)
    return blocks


def _performance(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    chart = power_chart(answer.bands, answer.specification, units)
    struck = [e for e in answer.settings.edits if e.action is EditAction.STRIKE]
    return [
        Heading("Performance"),
        Chart("power", chart, "Equivalent drawbar power, ± 95 %."),
        *admission_section(answer),
        _stretches(answer, units),
        *(
            Text(
                f"Struck out: {e.run} {e.t_start_s:.0f}-{e.t_end_s:.0f} s, {e.reason}.", "small"
            )
            for e in struck
        ),
    ]


def _stretches(answer: CampaignAnswer, units: ShownUnits) -> Block:
    rows = tuple(
        (
            r.extent.run,
            f"{r.stretch.t_start_s:.0f}-{r.stretch.t_end_s:.0f}",
            r.stretch.setting.text or "—",
            pm(units.of(r.speed)),
            pm(units.of(r.pull)),
            pm(units.of(r.power)),
            "—" if r.margin is None else pm(units.of(r.margin)),
            r.stretch.source + (f": {r.stretch.reason}" if r.stretch.reason else ""),
        )
        for run in answer.runs
        for r in run.results
        if r.admission.admitted
    )
    if not rows:
        return Text("No stretch was admitted to judgement.")
    pull = units.label("kN")
    heads = (
        "run",
        "time, s",
        "throttle",
        f"speed, {units.label('m/s')}",
        f"pull, {pull}",
        f"power, {units.label('kW')}",
        f"margin, {pull}",
        "source",
    )
    return TextTable(heads, rows, "Stretches admitted to judgement, ± 95 %.")


def _resistance(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    blocks: list[Block] = [Heading("Train resistance")]
    fit = answer.resistance.fit
    if fit is None:
        return [*blocks, Text("Not fitted; see the notes for what is missing.")]
    train = answer.runs[0].loaded.train
    rows = []
    for term, value in fit.coefficients.items():
        shown = units.of(value)
        rows.append((term, pm(shown), shown.unit))
    constraints = f" {'; '.join(fit.constraints)}." if fit.constraints else ""
    k = units.factor("km/h")
    low, high = (v * k for v in fit.speed_km_h)
    scatter = fit.residual_sd_N_per_t * units.factor("N/t")
    return [
        *blocks,
        Chart(
            "resistance",
            resistance_chart(fit, answer.resistance.observations, train, units),
            "Trailing resistance per tonne.",
        ),
        TextTable(("term", "value", "unit"), tuple(rows), "A + B·V + C·V², ± 95 %."),
        _beside_formulas(fit, train, units),
        Text(
            f"{fit.observations} pieces between {low:.0f} and {high:.0f} {units.label('m/s')};"
            f" standard deviation of the residuals, outliers included, {plain(scatter)}"
            f" {units.label('N/t')}.{constraints}"
        ),
    ]


def _beside_formulas(fit: ResistanceFit, train: TrialTrain, units: ShownUnits) -> Block:
    """The fit at whole speeds, and what the published formulas give for such cars."""
    k = units.factor("km/h")
    low, high = (v * k for v in fit.speed_km_h)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 1000) if (high - low) / s <= 9.0)
    shown = [float(s) for s in np.arange(np.ceil(low / step) * step, high + 1e-9, step)]
    per = units.factor("N/t")
    rows = []
    for v in shown or [low]:
        formulas = ["—", "—"]
        load = train.trailing.axle_load_t
        if load is not None:
            made = (
                davis_1926_N_per_t(v / k, axle_load_t=load),
                modified_davis_N_per_t(v / k, axle_load_t=load),
            )
            formulas = [plain(float(x) * per) for x in made]
        rows.append((f"{v:g}", pm(units.of(fit.at(v / k))), *formulas))
    unit = units.label("N/t")
    heads = (
        f"speed, {units.label('m/s')}",
        f"measured, {unit}",
        f"Davis 1926, {unit}",
        f"modified Davis, {unit}",
    )
    return TextTable(
        heads,
        tuple(rows),
        "The fit beside the published formulas for freight cars of four axles and the same"
        " axle load.",
    )


def _tonnage(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    if not answer.rating.ratings:
        return [Heading("Tonnage rating"), Text("Cannot be rated; see the notes for why.")]
    rows = tuple(
        (
            f"{r.grade * 100:.2f}",
            "—"
            if r.curvature_per_m == 0
            else written(units.factor("m") / abs(r.curvature_per_m), 0),
            f"{r.speed_m_s * units.factor('m/s'):.1f}",
            r.weather,
            pm(units.of(r.pull_on_grade_kN)),
            pm(units.of(r.trailing_t)),
        )
        for r in answer.rating.ratings
    )
    heads = (
        "grade, %",
        f"mean radius, {units.label('m')}",
        f"least {units.label('m/s')}",
        "weather",
        f"pull left, {units.label('kN')}",
        f"load, {units.label('t')}",
    )
    blocks: list[Block] = [
        Heading("Tonnage rating"),
        Chart(
            "rating",
            rating_chart(answer.rating.ratings, units),
            "Load at the least speed, ± 95 %.",
        ),
        TextTable(heads, rows, "From the measured pull and resistance, ± 95 %."),
    ]
    if answer.rating.balancing:
        held = tuple(
            (f"{b.grade * 100:.2f}", pm(units.of(b.speed))) for b in answer.rating.balancing
        )
        speed = f"speed held, {units.label('m/s')}"
        blocks.append(TextTable(("grade, %", speed), held, "With the train of the first run."))
    return blocks


def _notes(answer: CampaignAnswer) -> list[Block]:
    if not answer.notes:
        return []
    return [Heading("Cautions and notes"), *(Text(f"• {n}") for n in answer.notes)]
