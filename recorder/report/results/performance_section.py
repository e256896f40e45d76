"""Performance: power by band, every test section admitted and refused, starting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.written import many
from recorder.analysis.stretches.admission_record import CriterionKind
from recorder.analysis.stretches.stretch import StretchSource
from recorder.analysis.stretches.stretch_edits import EditAction
from recorder.report.pages.charts import performance_chart, power_chart
from recorder.report.pages.document import (
    Block,
    Chart,
    Heading,
    RunPlace,
    Text,
    TextTable,
    pm,
)
from recorder.report.results.admission_section import admission_section
from recorder.report.results.bands_table import starting_words

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.report.section_parts.naming import Naming

__all__ = ["performance_section"]

MOST_REFUSED: Final = 60
"""Rows on paper; the table test_sections has them all."""
_BY: Final = {StretchSource.FOUND: "program", StretchSource.CREW: "crew"}


def performance_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """Charts, test sections, admission, starting."""
    results = [r for run in answer.runs for r in run.results]
    return [
        Heading("Results: performance"),
        _pull_chart(answer, naming),
        Chart(
            "power",
            power_chart(answer.bands, results, answer.specification, naming.units),
            "Equivalent drawbar power on level, straight track at constant speed, ± 95 %.",
        ),
        *_admitted(answer, naming),
        *_refused(answer, naming),
        *_struck(answer, naming),
        *admission_section(answer, naming),
        Heading("Starting", 2),
        Text(starting_words(answer, naming)),
    ]


def _pull_chart(answer: CampaignAnswer, naming: Naming) -> Block:
    results = [r for run in answer.runs for r in run.results]
    chart = performance_chart(answer.bands, results, answer.specification, naming.units)
    return Chart(
        "performance",
        chart,
        "Equivalent drawbar pull on level, straight track at constant speed, ± 95 %, and every test"
        " section, admitted or refused.",
    )


def _admitted(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    units = naming.units
    held = _sections(answer, admitted=True)
    if not held:
        return [Text("No test section was admitted to judgement.")]
    pull = units.label("kN")
    heads = (
        "run",
        "time, s",
        "throttle",
        f"speed, {units.label('m/s')}",
        f"pull, {pull}",
        f"power, {units.label('kW')}",
        f"margin, {pull}",
        "cut by",
    )
    rows = tuple(
        (
            *_start(r, naming),
            pm(units.of(r.pull)),
            pm(units.of(r.power)),
            "—" if r.margin is None else pm(units.of(r.margin)),
            _BY[r.stretch.source] + (f": {r.stretch.reason}" if r.stretch.reason else ""),
        )
        for _, r in held
    )
    caption = "Test sections admitted to judgement, ± 95 %."
    return [TextTable(heads, rows, caption, _places(held))]


def _refused(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    units = naming.units
    refused = _sections(answer, admitted=False)
    if not refused:
        return [Text("No test section was refused.")]
    held = [(run, r) for run, r in refused if not _too_short(r)]
    short = len(refused) - len(held)
    left_out = (
        f"{many(short, 'more test section')} {'was' if short == 1 else 'were'} refused that"
        f" {'was' if short == 1 else 'were'} too short to be judged; tables/test_sections has"
        " all with every reason."
    )
    rest: list[Block] = [Text(left_out, "small")] if short else []
    if not held:
        return rest
    shown = held[:MOST_REFUSED]
    heads = (
        "run",
        "time, s",
        "throttle",
        f"speed, {units.label('m/s')}",
        f"pull if judged, {units.label('kN')}",
        "refused because",
    )
    rows = tuple(
        (
            *_start(r, naming),
            pm(units.of(r.pull)),
            "; ".join(units.words(why) for why in r.admission.reasons),
        )
        for _, r in shown
    )
    caption = "Test sections refused, each with its reasons, ± 95 %."
    if len(held) > len(shown):
        caption += f" The first {len(shown)} of {len(held)}; tables/test_sections has them all."
    return [TextTable(heads, rows, caption, _places(shown)), *rest]


def _too_short(result: StretchResult) -> bool:
    return any(c.refuses for c in result.admission.criteria if c.kind is CriterionKind.LENGTH)


def _start(result: StretchResult, naming: Naming) -> tuple[str, str, str, str]:
    """Run, time, throttle, speed."""
    return (
        naming.letter(result.extent.run),
        f"{result.stretch.t_start_s:.0f}-{result.stretch.t_end_s:.0f}",
        result.stretch.setting.text or "—",
        pm(naming.units.of(result.speed)),
    )


def _sections(answer: CampaignAnswer, *, admitted: bool) -> list[tuple[str, StretchResult]]:
    """Identity of the run and test section, in order."""
    return [
        (run.loaded.run_id, r)
        for run in answer.runs
        for r in run.results
        if r.admission.admitted is admitted
    ]


def _places(held: list[tuple[str, StretchResult]]) -> tuple[RunPlace, ...]:
    return tuple(RunPlace(run_id, r.stretch.t_start_s) for run_id, r in held)


def _struck(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    return [
        Text(
            f"Struck out by the crew: run {naming.letter(e.run)},"
            f" {e.t_start_s:.0f}-{e.t_end_s:.0f} s, {e.reason}.",
            "small",
        )
        for e in answer.settings.edits
        if e.action is EditAction.STRIKE
    ]
