"""The page for the chief mechanical officer: the answer, and what it is worth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from recorder.analysis.campaign.answer import Answer as Worked
from recorder.analysis.campaign.answer import RunAnswer
from recorder.analysis.specification.performance import Specification, untested
from recorder.analysis.uncertainty.measured import Measured
from recorder.marks.kinds import Kind
from recorder.report.pages.charts import performance_chart
from recorder.report.pages.document import (
    Answer,
    Block,
    Chart,
    Heading,
    Text,
    TextTable,
    plain,
    pm,
)
from recorder.report.pages.shown_units import ShownUnits
from recorder.report.trial.summary import CAUTION

if TYPE_CHECKING:
    from recorder.report.trial.writing import Source

__all__ = ["causes_of", "first_page", "joined_causes", "specification_in"]

_MOST_RUNS: Final = 6
_MOST_DOUBTS: Final = 9


def first_page(answer: Worked, sources: Sequence[Source], units: ShownUnits) -> list[Block]:
    """Verdict, chart, bands, conditions, what limits confidence, caution."""
    whole = answer.overall
    reasons = "; ".join(whole.reasons)
    detail = reasons[:1].upper() + reasons[1:] + ("." if reasons else "")
    if whole.margin is not None:
        detail += f" Mean margin over the specification {pm(whole.margin, unit=True)}."
    if any(run.ledger.closes is False for run in answer.runs):
        detail += " The energy ledger does not close: read what limits confidence first."
    results = [r for run in answer.runs for r in run.results]
    chart = performance_chart(answer.bands, results, specification_in(answer), units)
    doubts = _doubts(answer, sources)
    more = len(doubts) - _MOST_DOUBTS
    shown = [Text(f"• {d}", "small") for d in doubts[:_MOST_DOUBTS]]
    if more > 0:
        shown.append(Text(f"• and {more} more, under Cautions and notes", "small"))
    return [
        Answer(_verdict_words(answer), detail),
        Chart(
            "performance",
            chart,
            "Equivalent drawbar pull on level, straight track at constant speed; bars are ± 95 %.",
        ),
        _band_table(answer, units),
        Text(_starting(answer, units), "small"),
        Heading("Conditions", 2),
        _conditions(answer, units),
        Heading("What limits confidence", 2),
        *shown,
        Text(CAUTION, "caution"),
    ]


def specification_in(answer: Worked) -> Specification | None:
    """The specification of the first run that has one."""
    return next((r.loaded.specification for r in answer.runs if r.loaded.specification), None)


def _verdict_words(answer: Worked) -> str:
    spec = specification_in(answer)
    partly = spec is not None and bool(untested(answer.bands, spec))
    return {
        "meets": "Meets its specification" + " at the speeds tested" * partly,
        "does not meet": "Does not meet its specification",
        "no specification": "No specification to compare with",
    }.get(answer.overall.verdict, "Cannot be told with this uncertainty")


def _starting(answer: Worked, units: ShownUnits) -> str:
    if answer.starting is None:
        return "Starting effort: no start from rest that can be judged lies in the record."
    told = (
        f"Greatest starting pull (one-second mean): {pm(units.of(answer.starting), unit=True)}"
    )
    if answer.starting_limit_kN is None:
        return f"{told}; none is specified."
    limit = plain(answer.starting_limit_kN * units.factor("kN"), 4)
    return f"{told}; specified {limit} {units.label('kN')}: {answer.starting_verdict}."


def _conditions(answer: Worked, units: ShownUnits) -> Block:
    rows = tuple(_condition(run, units) for run in answer.runs[:_MOST_RUNS])
    more = len(answer.runs) - _MOST_RUNS
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
        _mass(train.locomotive_mass_t, units),
        _mass(train.trailing_mass_t, units),
        f"{run.ledger.metres / 1000 * units.factor('km'):.2f}",
        f"{loaded.duration_s / 60:.1f}",
        {"unknown": "not known", "channel": "column"}.get(
            loaded.series.grade_source, loaded.series.grade_source
        ),
        "; ".join(list(weather)[:3]) or "none",
    )


def _mass(value: float | None, units: ShownUnits) -> str:
    return "not known" if value is None else f"{value * units.factor('t'):.0f}"


def _band_table(answer: Worked, units: ShownUnits) -> Block:
    if not answer.bands:
        return Text(
            "No steady stretch was found: there is no pull or power to report by speed."
        )
    k = units.factor("m/s")
    rows = tuple(
        (
            f"{b.low_m_s * k:.0f}-{b.high_m_s * k:.0f}",
            f"{b.stretches}",
            pm(units.of(b.speed)),
            pm(units.of(b.pull)),
            plain(b.limit_kN * units.factor("kN"), 4),
            "—" if b.margin is None else pm(units.of(b.margin)),
            pm(units.of(b.power)),
            b.verdict,
        )
        for b in answer.bands
    )
    speed, pull = units.label("m/s"), units.label("kN")
    heads = (speed, "stretches", f"speed, {speed}", f"pull, {pull}", f"specified, {pull}")
    return TextTable(
        (*heads, f"margin, {pull}", f"power, {units.label('kW')}", "verdict"),
        rows,
        "By speed band, ± 95 %.",
    )


def _doubts(answer: Worked, sources: Sequence[Source]) -> list[str]:
    """What stands between the record and a surer answer, the worst first."""
    out = []
    for source in sources:
        told = source.told
        if not told["complete"]:
            out.append(f"{source.name}: the file is not sealed: the recording was cut off")
        out += [
            f"{source.name}: certificate {c['certificate_id']} had expired on the day of the run"
            for c in told["certificates"].values()
            if c["expired"]
        ]
        gaps = told["gaps"]
        if gaps:
            seconds = math.fsum(g["t_end_s"] - g["t_start_s"] for g in gaps)
            out.append(f"{source.name}: {len(gaps)} gaps, {seconds:.1f} s together")
    out += answer.notes
    word = _greatest_causes(answer)
    return [*out, word] if word else out or ["Nothing beyond the uncertainties stated."]


def _greatest_causes(answer: Worked) -> str:
    mean, what = causes_of(answer)
    if mean is None or not mean.u or not math.isfinite(mean.u):
        return ""
    named = list(joined_causes(mean).items())[:3]
    told = ", ".join(f"{c} {100 * (u / mean.u) ** 2:.0f} %" for c, u in named)
    return f"of the variance of the {what}: {told}"


def causes_of(answer: Worked) -> tuple[Measured | None, str]:
    """The figure whose uncertainty is taken apart, and its name."""
    if answer.propagated_margin_kN is not None:
        return answer.propagated_margin_kN, "mean margin"
    if answer.bands:
        return answer.bands[0].pull, "equivalent pull of the slowest band"
    return None, ""


def joined_causes(value: Measured) -> dict[str, float]:
    """Standard uncertainty by cause, causes of a kind joined, greatest first."""
    joined: dict[str, float] = {}
    for cause, part in value.parts.items():
        name = _group(cause)
        joined[name] = math.hypot(joined.get(name, 0.0), part)
    return dict(sorted(joined.items(), key=lambda kv: (-kv[1], kv[0])))


def _group(cause: str) -> str:
    for word in ("random", "locomotive grade", "locomotive acceleration", "scatter"):
        if cause.startswith(word) and cause != "locomotive grade common":
            return f"{word} of each stretch"
    return cause
