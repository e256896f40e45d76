"""The page for the chief mechanical officer: the answer, and what it is worth."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from calibration.quantities.written import many, written
from recorder.analysis.series.series import GradeSource
from recorder.analysis.specification.overall import untested
from recorder.analysis.specification.verdicts import Verdict
from recorder.marks.kinds import Kind
from recorder.report.pages.charts import performance_chart
from recorder.report.pages.document import (
    Block,
    Chart,
    Heading,
    Text,
    TextTable,
    VerdictBlock,
    plain,
    pm,
)
from recorder.report.pages.wording import CAUTION
from recorder.report.trial.admission_section import admission_words
from recorder.report.trial.made import made
from recorder.report.trial.uncertainty_section import greatest_causes
from recorder.run.checks.channel_health import told
from recorder.run.values.certificate_standing import Standing
from recorder.run.values.certificate_standing import told as certificate_doubts

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.campaign.run_answer import RunAnswer
    from recorder.analysis.campaign.unmade import Unmade
    from recorder.analysis.specification.bands import Band
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["first_page"]

MOST_RUNS: Final = 6
MOST_DOUBTS: Final = 9
"""More would not leave it one page."""
MOST_EPISODES: Final = 3
"""Of channels that were not sound; the run's own section lists all."""

_GRADE_FROM: Final = {
    GradeSource.UNKNOWN: "not known",
    GradeSource.CHANNEL: "column",
    GradeSource.ROUTE: "route",
    GradeSource.MARKS: "marks",
}


def first_page(answer: CampaignAnswer, units: ShownUnits, unmade: list[Unmade]) -> list[Block]:
    """Verdict, chart, bands, conditions, what limits confidence, caution."""
    doubts = _doubts(answer)
    more = len(doubts) - MOST_DOUBTS
    shown = [Text(f"• {d}", "small") for d in doubts[:MOST_DOUBTS]]
    if more > 0:
        shown.append(Text(f"• and {more} more, under Cautions and notes", "small"))
    return [
        _verdict(answer),
        *_plausibility(answer),
        *made("Pull against speed", lambda: [_chart(answer, units)], unmade),
        *made("Speed bands", lambda: [_band_table(answer, units)], unmade),
        *made("Starting", lambda: [Text(_starting(answer, units), "small")], unmade),
        *made("What is judged", lambda: admission_words(answer), unmade),
        Heading("Conditions", 2),
        *made("Conditions", lambda: [_conditions(answer, units)], unmade),
        Heading("What limits confidence", 2),
        *shown,
        Text(CAUTION, "caution foot"),
    ]


def _chart(answer: CampaignAnswer, units: ShownUnits) -> Block:
    results = [r for run in answer.runs for r in run.results]
    return Chart(
        "performance",
        performance_chart(answer.bands, results, answer.specification, units),
        "Equivalent drawbar pull on level, straight track at constant speed; bars are ± 95 %.",
    )


def _verdict(answer: CampaignAnswer) -> VerdictBlock:
    whole = answer.overall
    reasons = "; ".join(whole.reasons)
    if whole.verdict is Verdict.DOUBTED:
        reasons = "no verdict while a doubt below stands: mend what is wrong, or answer for it"
    detail = reasons[:1].upper() + reasons[1:] + ("." if reasons else "")
    if whole.margin is not None:
        detail += f" Mean margin over the specification {pm(whole.margin, unit=True)}."
    if any(run.ledger.closes is False for run in answer.runs):
        detail += " The energy ledger does not close: read what limits confidence first."
    return VerdictBlock(_verdict_words(answer), detail)


def _plausibility(answer: CampaignAnswer) -> list[Block]:
    """What contradicts the records, and what the crew answered."""
    told: list[Block] = []
    for run in answer.runs:
        for d in run.doubts:
            held = f" Answered: {d.answer}" if d.answer else ""
            told.append(
                Text(f"• {run.loaded.name}, doubted ({d.kind}): {d.text}.{held}", "small")
            )
    return told


def _verdict_words(answer: CampaignAnswer) -> str:
    spec = answer.specification
    partly = spec is not None and bool(untested(answer.bands, spec))
    return {
        Verdict.MEETS: "Meets its specification" + " at the speeds tested" * partly,
        Verdict.DOES_NOT_MEET: "Does not meet its specification",
        Verdict.NO_SPECIFICATION: "No specification to compare with",
        Verdict.REFUSED: "Cannot be told: nothing was admitted to judgement",
        Verdict.NOT_MEASURED: "Cannot be told: pull or speed was not measured",
        Verdict.DOUBTED: "No verdict: the record is doubted",
        Verdict.DISAGREE: "Cannot be told: the runs do not agree",
        Verdict.NOT_TESTED: "Not tested at a specified speed",
    }.get(answer.overall.verdict, "Cannot be told with this uncertainty")


def _starting(answer: CampaignAnswer, units: ShownUnits) -> str:
    if answer.starting is None:
        return "Starting effort: no start from rest that can be judged lies in the record."
    pull = pm(units.of(answer.starting), unit=True)
    greatest = f"Greatest starting pull (one-second mean): {pull}"
    if answer.starting_limit_kN is None:
        return f"{greatest}; none is specified."
    limit = plain(answer.starting_limit_kN * units.factor("kN"), 4)
    return f"{greatest}; specified {limit} {units.label('kN')}: {answer.starting_verdict}."


def _conditions(answer: CampaignAnswer, units: ShownUnits) -> Block:
    rows = tuple(_condition(run, units) for run in answer.runs[:MOST_RUNS])
    more = len(answer.runs) - MOST_RUNS
    heads = (
        "run",
        "locomotive",
        f"mass, {units.label('t')}",
        f"trailing, {units.label('t')}",
        units.label("km"),
        "time, min",
        "grade from",
        "weather as marked",
    )
    return TextTable(heads, rows, f"And {more} runs more." if more > 0 else "")


def _condition(run: RunAnswer, units: ShownUnits) -> tuple[str, ...]:
    loaded = run.loaded
    trip, train = loaded.trip, loaded.train
    engine = trip.locomotive.name if trip is not None and trip.locomotive.name else "not named"
    weather = dict.fromkeys(m.value for m in loaded.marks if m.kind is Kind.WEATHER and m.value)
    return (
        loaded.name,
        engine,
        _mass(train.locomotive.mass_t, units),
        _mass(train.trailing.mass_t, units),
        _distance(run, units),
        f"{loaded.duration_s / 60:.1f}",
        _GRADE_FROM[loaded.series.grade_source],
        "; ".join(list(weather)[:3]) or "none",
    )


def _distance(run: RunAnswer, units: ShownUnits) -> str:
    km = run.ledger.metres / 1000.0 * units.factor("km")
    return f"{km:.2f}" if math.isfinite(km) else "not known"


def _mass(value: float | None, units: ShownUnits) -> str:
    return "not known" if value is None else written(value * units.factor("t"), 0)


def _band_table(answer: CampaignAnswer, units: ShownUnits) -> Block:
    if not answer.bands:
        return Text(
            "No steady stretch was found: there is no pull or power to report by speed."
        )
    k = units.factor("m/s")
    rows = tuple(
        (
            f"{b.low_m_s * k:.0f}-{b.high_m_s * k:.0f}",
            f"{b.stretches}",
            _of(b, pm(units.of(b.speed))),
            _of(b, pm(units.of(b.pull))),
            plain(b.limit_kN * units.factor("kN"), 4),
            "—" if b.margin is None else pm(units.of(b.margin)),
            _of(b, pm(units.of(b.power))),
            b.in_words,
        )
        for b in answer.bands
    )
    speed, pull = units.label("m/s"), units.label("kN")
    shown = any(b.verdict is Verdict.REFUSED and b.refused_twice for b in answer.bands)
    twice = " A stretch refused for several reasons is counted under each." * shown
    heads = (speed, "stretches", f"speed, {speed}", f"pull, {pull}", f"specified, {pull}")
    return TextTable(
        (*heads, f"margin, {pull}", f"power, {units.label('kW')}", "verdict"),
        rows,
        "By speed band, ± 95 %." + twice,
    )


def _of(band: Band, words: str) -> str:
    """A figure of a band; none where all was refused."""
    return words if band.admitted else "—"


def _doubts(answer: CampaignAnswer) -> list[str]:
    """What stands between the record and a surer answer, the worst first."""
    out = [doubt for run in answer.runs for doubt in _doubts_of_file(run.loaded)]
    out += answer.notes
    causes = greatest_causes(answer)
    return [*out, causes] if causes else out or ["Nothing beyond the uncertainties stated."]


def _doubts_of_file(run: LoadedRun) -> list[str]:
    out = []
    held = run.provenance.description
    if not held.complete:
        out.append(f"{run.name}: the file is not sealed: the recording was cut off")
    out += [
        f"{run.name}: certificate {c.certificate_id} had expired on the day of the run"
        for c in held.certificates.values()
        if c.expired
    ]
    doubted = certificate_doubts(run.provenance.standings, Standing.DOUBT)
    out += [f"{run.name}: {words}" for words in doubted]
    if run.gaps:
        seconds = math.fsum(g.t_end_s - g.t_start_s for g in run.gaps)
        out.append(f"{run.name}: {many(len(run.gaps), 'gap')}, {seconds:.1f} s together")
    out += [f"{run.name}: {words}" for words in told(held.episodes, MOST_EPISODES)]
    return out
