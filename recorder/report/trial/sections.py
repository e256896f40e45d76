"""The report's content as blocks: one page of answer first, then all that it rests on."""

from __future__ import annotations

from functools import partial
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
from recorder.report.trial.made import made
from recorder.report.trial.method import method_section
from recorder.report.trial.run_section import run_section
from recorder.report.trial.uncertainty_section import uncertainty_section

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.unmade import Unmade
    from recorder.analysis.dynamics.resistance import ResistanceFit
    from recorder.analysis.series.train import TrialTrain

__all__ = ["report_blocks"]


def report_blocks(
    answer: CampaignAnswer,
    units: ShownUnits = METRIC,
    unmade: list[Unmade] | None = None,
) -> list[Block]:
    """All blocks of the report, in order; a section that cannot be made says so in its place.

    What could not be made is added to ``unmade``.
    """
    held = [] if unmade is None else unmade
    runs = [run.loaded for run in answer.runs]
    blocks = first_page(answer, units, held)
    sections: list[tuple[str, Callable[[], list[Block]]]] = [
        ("Method", lambda: method_section(answer, units)),
        ("Performance", lambda: _performance(answer, units)),
        ("Conditions and runs", lambda: conditions_section(answer)),
        ("Train resistance", lambda: _resistance(answer, units)),
        ("Tonnage rating", lambda: _tonnage(answer, units)),
    ]
    sections += [
        (f"Run {run.loaded.name}", partial(run_section, run, units)) for run in answer.runs
    ]
    sections += [
        ("Uncertainty", lambda: uncertainty_section(answer)),
        ("Calibration", lambda: calibration_section(runs)),
        ("Cautions and notes", lambda: _notes(answer, held)),
        ("Reproduction", lambda: reproduction_section(runs)),
    ]
    for what, make in sections:
        blocks += made(what, make, held)
    return blocks


def _performance(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    results = [r for run in answer.runs for r in run.results]
    chart = power_chart(answer.bands, results, answer.specification, units)
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
    heading = Heading("Tonnage rating")
    if not answer.rating.ratings:
        why = Text("Cannot be rated; see the notes for why.")
        return [heading, why, *_beyond(answer, units)]
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
    chart = rating_chart(answer.rating.ratings, units)
    blocks: list[Block] = [
        heading,
        Chart("rating", chart, "Load at the least speed, ± 95 %."),
        TextTable(heads, rows, "From the measured pull and resistance, ± 95 %."),
    ]
    if answer.rating.balancing:
        held = tuple(
            (f"{b.grade * 100:.2f}", pm(units.of(b.speed))) for b in answer.rating.balancing
        )
        speed = f"speed held, {units.label('m/s')}"
        blocks.append(TextTable(("grade, %", speed), held, "With the train of the first run."))
    return [*blocks, *_beyond(answer, units)]


def _beyond(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    """Grades that cannot be climbed, and the car factor."""
    rating = answer.rating
    blocks: list[Block] = []
    if rating.not_climbed:
        grades = ", ".join(f"{100 * g:.2f} %" for g in rating.not_climbed)
        words = "the locomotive cannot lift itself, or the train would roll by itself"
        blocks.append(Text(f"No load can be rated on {grades}: {words}."))
    if rating.car_factor_t is not None:
        tonnes = plain(rating.car_factor_t * units.factor("t"), 3)
        blocks.append(
            Text(
                f"Car factor: each axle counts as {tonnes} {units.label('t')} more in the adjusted"
                " tonnage (29 lb of journal resistance an axle, Davis 1926, over the fitted"
                " resistance)."
            )
        )
    return blocks


def _notes(answer: CampaignAnswer, unmade: Sequence[Unmade]) -> list[Block]:
    told = [*answer.notes, *(u.in_words for u in unmade)]
    if not told:
        return []
    return [Heading("Cautions and notes"), *(Text(f"• {n}") for n in told)]
