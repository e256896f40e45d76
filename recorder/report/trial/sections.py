"""The report's content as blocks: one page of answer first, then all that it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.campaign.answer import Answer as Worked
from recorder.analysis.dynamics.resistance import (
    ResistanceFit,
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)
from recorder.report.pages.charts import power_chart, rating_chart, resistance_chart
from recorder.report.pages.document import Block, Chart, Heading, Text, TextTable, plain, pm
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.report.trial.evidence_section import evidence, reproduce
from recorder.report.trial.first_page import (
    causes_of,
    first_page,
    joined_causes,
    specification_in,
)
from recorder.report.trial.method import METHOD
from recorder.report.trial.run_section import run_section

if TYPE_CHECKING:
    from recorder.analysis.series.train import Train
    from recorder.report.trial.writing import Source

__all__ = ["report_blocks"]

CAR_AXLES = 4
"""Axles of the car the published formulas are quoted for."""


def report_blocks(
    answer: Worked, sources: Sequence[Source], units: ShownUnits = METRIC
) -> list[Block]:
    """All blocks of the report, in order."""
    blocks: list[Block] = [
        *first_page(answer, sources, units),
        Heading("Method", new_page=True),
        *(Text(t) for t in METHOD),
        Text(_limits(answer, units), "small"),
        *_performance(answer, units),
        *_resistance(answer, units),
        *_tonnage(answer, units),
    ]
    for run in answer.runs:
        blocks += run_section(run, units)
    blocks += _causes(answer)
    blocks += evidence(answer, sources)
    blocks += _notes(answer)
    blocks += reproduce(sources)
    return blocks


def _limits(answer: Worked, units: ShownUnits) -> str:
    lim = answer.settings.limits
    on = answer.settings.switches
    off = [
        n.replace("_", " ")
        for n in ("grade", "curve", "acceleration", "wheel", "zero_drift")
        if not getattr(on, n)
    ]
    k, speed = units.factor("m/s"), units.label("m/s")
    return (
        f"Steady: at least {lim.least_s:g} s, at most {lim.longest_s:g} s, speed within"
        f" {lim.speed_band_m_s * k:.1f} {speed}, acceleration below {lim.acceleration_m_s2:g}"
        f" m/s², {lim.settle_s:g} s after a throttle mark, brake off and released. Speed bands"
        f" of {answer.settings.band_m_s * k:.4g} {speed}. Corrections switched off:"
        f" {', '.join(off) or 'none'}."
    )


def _performance(answer: Worked, units: ShownUnits) -> list[Block]:
    chart = power_chart(answer.bands, specification_in(answer), units)
    blocks: list[Block] = [
        Heading("Performance"),
        Chart("power", chart, "Equivalent drawbar power, ± 95 %."),
    ]
    rows = tuple(
        (
            r.run,
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
    )
    if rows:
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
        blocks.append(TextTable(heads, rows, "Steady stretches, ± 95 %."))
    else:
        blocks.append(Text("No steady stretch."))
    struck = [e for e in answer.settings.edits if e.action == "strike"]
    blocks += [
        Text(f"Struck out: {e.run} {e.t_start_s:.0f}-{e.t_end_s:.0f} s, {e.reason}.", "small")
        for e in struck
    ]
    return blocks


def _resistance(answer: Worked, units: ShownUnits) -> list[Block]:
    blocks: list[Block] = [Heading("Train resistance")]
    fit = answer.resistance
    if fit is None:
        return [*blocks, Text("Not fitted; see the notes for what is missing.")]
    speeds = [v for run in answer.runs for v, _ in run.pieces]
    seen = [r for run in answer.runs for _, r in run.pieces]
    train = answer.runs[0].loaded.train
    rows = []
    for term, value in fit.coefficients.items():
        shown = units.of(value)
        rows.append((term, pm(shown), shown.unit))
    said = f" {'; '.join(fit.constraints)}." if fit.constraints else ""
    k = units.factor("m/s") / 3.6
    low, high = (v * k for v in fit.speed_km_h)
    scatter = fit.residual_sd_N_per_t * units.factor("N/t")
    return [
        *blocks,
        Chart(
            "resistance",
            resistance_chart(fit, speeds, seen, train, units),
            "Trailing resistance per tonne.",
        ),
        TextTable(("term", "value", "unit"), tuple(rows), "A + B·V + C·V², ± 95 %."),
        _beside_formulas(fit, train, units),
        Text(
            f"{fit.observations} pieces between {low:.0f} and {high:.0f} {units.label('m/s')};"
            f" standard deviation of the residuals, outliers included, {plain(scatter)}"
            f" {units.label('N/t')}.{said}"
        ),
    ]


def _beside_formulas(fit: ResistanceFit, train: Train, units: ShownUnits) -> Block:
    """The fit at whole speeds, and what the published formulas give for such cars."""
    k = units.factor("m/s") / 3.6
    low, high = (v * k for v in fit.speed_km_h)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 1000) if (high - low) / s <= 9.0)
    shown = [float(s) for s in np.arange(np.ceil(low / step) * step, high + 1e-9, step)]
    per = units.factor("N/t")
    rows = []
    for v in shown or [low]:
        formulas = ["—", "—"]
        if train.trailing_axles and train.trailing_mass_t:
            load = train.trailing_mass_t / train.trailing_axles
            made = (
                davis_1926_N_per_t(v / k, axle_load_t=load, axles=CAR_AXLES),
                modified_davis_N_per_t(v / k, axle_load_t=load, axles=CAR_AXLES),
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


def _tonnage(answer: Worked, units: ShownUnits) -> list[Block]:
    if not answer.ratings:
        return [Heading("Tonnage rating"), Text("Cannot be rated; see the notes for why.")]
    rows = tuple(
        (
            f"{r.grade * 100:.2f}",
            "—"
            if r.curvature_per_m == 0
            else f"{units.factor('m') / abs(r.curvature_per_m):.0f}",
            f"{r.speed_m_s * units.factor('m/s'):.1f}",
            r.weather,
            pm(units.of(r.pull_on_grade_kN)),
            pm(units.of(r.trailing_t)),
        )
        for r in answer.ratings
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
            "rating", rating_chart(answer.ratings, units), "Load at the least speed, ± 95 %."
        ),
        TextTable(heads, rows, "From the measured pull and resistance, ± 95 %."),
    ]
    if answer.balancing:
        held = tuple((f"{g * 100:.2f}", pm(units.of(v))) for g, v in answer.balancing)
        speed = f"speed held, {units.label('m/s')}"
        blocks.append(TextTable(("grade, %", speed), held, "With the train of the first run."))
    return blocks


def _causes(answer: Worked) -> list[Block]:
    blocks: list[Block] = [Heading("Uncertainty by cause")]
    mean, what = causes_of(answer)
    if mean is None:
        return [*blocks, Text("No figure to take apart.")]
    rows = tuple(
        (name, plain(u), f"{100 * (u / mean.u) ** 2:.1f}" if mean.u else "—")
        for name, u in joined_causes(mean).items()
    )
    heads = ("cause", "standard uncertainty, kN", "share of variance, %")
    blocks.append(TextTable(heads, rows, f"Of the {what}; causes of a kind joined."))
    made = answer.simulated
    if made is not None and answer.propagated_margin_kN is not None:
        blocks.append(
            Text(
                f"Mean margin by propagation {pm(answer.propagated_margin_kN, unit=True)}; by Monte"
                f" Carlo with {made.draws} draws {plain(made.mean_kN)} kN, 95 % from"
                f" {plain(made.low_kN)} to {plain(made.high_kN)} kN."
            )
        )
    return blocks


def _notes(answer: Worked) -> list[Block]:
    if not answer.notes:
        return []
    return [Heading("Cautions and notes"), *(Text(f"• {n}") for n in answer.notes)]
