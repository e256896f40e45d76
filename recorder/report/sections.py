"""The report's content as blocks: one page of answer first, then all that it rests on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from recorder.analysis.answer import Answer as Worked
from recorder.analysis.answer import RunAnswer
from recorder.report.charts import (
    along_chart,
    performance_chart,
    power_chart,
    rating_chart,
    resistance_chart,
)
from recorder.report.document import (
    Answer,
    Block,
    Chart,
    Heading,
    Text,
    TextTable,
    plain,
    pm,
)
from recorder.report.evidence_section import evidence, reproduce
from recorder.report.method import METHOD
from recorder.report.summary import CAUTION

if TYPE_CHECKING:
    from recorder.report.writing import Source

__all__ = ["report_blocks"]


def report_blocks(answer: Worked, sources: Sequence[Source]) -> list[Block]:
    """All blocks of the report, in order."""
    blocks: list[Block] = [
        *_first_page(answer),
        Heading("Method", new_page=True),
        *(Text(t) for t in METHOD),
        Text(_limits(answer), "small"),
        *_performance(answer),
        *_resistance(answer),
        *_tonnage(answer),
    ]
    for run in answer.runs:
        blocks += _run(run)
    blocks += _causes(answer)
    blocks += evidence(answer, sources)
    blocks += reproduce(sources)
    return blocks


def _first_page(answer: Worked) -> list[Block]:
    whole = answer.overall
    reasons = "; ".join(whole.reasons)
    detail = reasons[:1].upper() + reasons[1:] + ("." if reasons else "")
    if whole.margin is not None:
        detail += f" Mean margin over the specification {pm(whole.margin, unit=True)}."
    spec = next((r.loaded.specification for r in answer.runs if r.loaded.specification), None)
    results = [r for run in answer.runs for r in run.results]
    chart = performance_chart(answer.bands, results, spec)
    return [
        Answer(_verdict_words(whole.verdict), detail),
        Chart("performance", chart, "Equivalent drawbar pull on level, straight track."),
        _band_table(answer),
        Text(_starting(answer)),
        Heading("Conditions", 2),
        Text(_conditions(answer)),
        Heading("What limits confidence", 2),
        *([Text(f"• {n}") for n in answer.notes] or [Text("Nothing beyond the uncertainty.")]),
        Text(CAUTION, "caution"),
    ]


def _verdict_words(verdict: str) -> str:
    return {
        "meets": "Meets its specification",
        "does not meet": "Does not meet its specification",
        "no specification": "No specification to compare with",
    }.get(verdict, "Cannot be told with this uncertainty")


def _starting(answer: Worked) -> str:
    if answer.starting is None:
        return "Starting effort: no start from rest that can be judged lies in the record."
    told = f"Greatest starting pull (one-second mean): {pm(answer.starting, unit=True)}"
    if answer.starting_limit_kN is None:
        return f"{told}; none is specified."
    return (
        f"{told}; specified {plain(answer.starting_limit_kN, 4)} kN: {answer.starting_verdict}."
    )


def _conditions(answer: Worked) -> str:
    parts = []
    for run in answer.runs:
        loaded = run.loaded
        trip, train = loaded.trip, loaded.train
        engine = (
            trip.locomotive.name if trip is not None and trip.locomotive.name else "locomotive"
        )
        weather = [m.value for m in loaded.marks if m.kind == "weather" and m.value]
        parts.append(
            f"{loaded.name}: {engine} of {_mass(train.locomotive_mass_t)}, trailing load"
            f" {_mass(train.trailing_mass_t)}; {run.ledger.metres / 1000:.2f} km in"
            f" {loaded.duration_s / 60:.1f} min; {len(run.stretches)} steady stretches; grade from"
            f" {loaded.series.grade_source}; weather as marked: {'; '.join(weather) or 'none'}."
        )
    return " ".join(parts)


def _mass(value: float | None) -> str:
    return "mass not known" if value is None else f"{value:.0f} t"


def _limits(answer: Worked) -> str:
    lim = answer.settings.limits
    on = answer.settings.switches
    off = [n for n in ("grade", "curve", "acceleration") if not getattr(on, n)]
    return (
        f"Steady: at least {lim.least_s:g} s, at most {lim.longest_s:g} s, speed within"
        f" {lim.speed_band_m_s * 3.6:.1f} km/h, acceleration below {lim.acceleration_m_s2:g} m/s²,"
        f" {lim.settle_s:g} s after a throttle or brake mark. Speed bands of"
        f" {answer.settings.band_m_s * 3.6:g} km/h. Corrections switched off:"
        f" {', '.join(off) or 'none'}."
    )


def _band_table(answer: Worked) -> Block:
    if not answer.bands:
        return Text(
            "No steady stretch was found: there is no pull or power to report by speed."
        )
    rows = tuple(
        (
            f"{b.low_m_s * 3.6:.0f}-{b.high_m_s * 3.6:.0f}",
            f"{b.stretches}",
            pm(b.speed.scaled(3.6, "km/h")),
            pm(b.pull),
            plain(b.limit_kN, 4),
            "—" if b.margin is None else pm(b.margin),
            pm(b.power),
            b.verdict,
        )
        for b in answer.bands
    )
    heads = ("km/h", "stretches", "speed, km/h", "pull, kN", "specified, kN")
    return TextTable(
        (*heads, "margin, kN", "power, kW", "verdict"), rows, "By speed band, ± 95 %."
    )


def _performance(answer: Worked) -> list[Block]:
    spec = next((r.loaded.specification for r in answer.runs if r.loaded.specification), None)
    blocks: list[Block] = [
        Heading("Performance"),
        Chart("power", power_chart(answer.bands, spec), "Equivalent drawbar power."),
    ]
    rows = tuple(
        (
            r.run,
            f"{r.stretch.t_start_s:.0f}-{r.stretch.t_end_s:.0f}",
            r.stretch.setting or "—",
            pm(r.speed.scaled(3.6, "km/h")),
            pm(r.pull),
            pm(r.power),
            "—" if r.margin is None else pm(r.margin),
            r.stretch.source + (f": {r.stretch.reason}" if r.stretch.reason else ""),
        )
        for run in answer.runs
        for r in run.results
    )
    if rows:
        heads = ("run", "time, s", "throttle", "speed, km/h", "pull, kN", "power, kW")
        blocks.append(TextTable((*heads, "margin, kN", "source"), rows, "Steady stretches."))
    else:
        blocks.append(Text("No steady stretch."))
    return blocks


def _resistance(answer: Worked) -> list[Block]:
    blocks: list[Block] = [Heading("Train resistance")]
    fit = answer.resistance
    if fit is None:
        return [*blocks, Text("Not fitted; see what limits confidence.")]
    speeds = [v for run in answer.runs for v, _ in run.pieces]
    seen = [r for run in answer.runs for _, r in run.pieces]
    train = answer.runs[0].loaded.train
    rows = tuple((t, pm(v), v.unit) for t, v in fit.coefficients.items())
    said = f" {'; '.join(fit.constraints)}." if fit.constraints else ""
    return [
        *blocks,
        Chart("resistance", resistance_chart(fit, speeds, seen, train), "Per trailing tonne."),
        TextTable(("term", "value", "unit"), rows),
        Text(
            f"{fit.observations} pieces between {fit.speed_km_h[0]:.0f} and"
            f" {fit.speed_km_h[1]:.0f} km/h; residual {plain(fit.residual_sd_N_per_t)} N/t.{said}"
        ),
    ]


def _tonnage(answer: Worked) -> list[Block]:
    if not answer.ratings:
        return [Heading("Tonnage rating"), Text("Cannot be rated; see what limits confidence.")]
    rows = tuple(
        (
            f"{r.grade * 100:.2f}",
            "—" if r.curvature_per_m == 0 else f"{1 / r.curvature_per_m:.0f}",
            f"{r.speed_m_s * 3.6:.1f}",
            r.weather,
            pm(r.pull_on_grade_kN),
            pm(r.trailing_t),
        )
        for r in answer.ratings
    )
    heads = ("grade, %", "mean radius, m", "least km/h", "weather", "pull left, kN", "load, t")
    blocks: list[Block] = [
        Heading("Tonnage rating"),
        Chart("rating", rating_chart(answer.ratings), "Trailing load at the least speed."),
        TextTable(heads, rows, "From the measured pull and resistance, ± 95 %."),
    ]
    if answer.balancing:
        held = tuple((f"{g * 100:.2f}", pm(v.scaled(3.6, "km/h"))) for g, v in answer.balancing)
        blocks.append(TextTable(("grade, %", "speed held, km/h"), held, "With this train."))
    return blocks


def _run(run: RunAnswer) -> list[Block]:
    loaded = run.loaded
    blocks: list[Block] = [Heading(f"Run {loaded.name}")]
    if len(loaded.series):
        chart = along_chart(loaded.series)
        blocks.append(Chart(f"along-{loaded.run_id[:8]}", chart, "Along the run; tension +."))
    blocks += [*_ledger(run), *_peaks(run), *_consumption(run)]
    marks = tuple((f"{m.t_s:.2f}", m.kind, m.value, m.note, m.by) for m in loaded.marks)
    if marks:
        heads = ("run time, s", "mark", "value", "note", "by")
        blocks.append(TextTable(heads, marks, "Marks of the crew, newest revisions."))
    else:
        blocks.append(Text("No marks were keyed."))
    holes = tuple(
        (
            g.device,
            f"{g.t_start_s:.3f}",
            f"{g.t_end_s:.3f}",
            g.cause,
            f"{g.lost_records}",
            g.detail,
        )
        for g in loaded.gaps
    )
    if holes:
        wide = ("device", "from, s", "to, s", "cause", "records lost", "detail")
        blocks.append(TextTable(wide, holes, "Gaps and faults."))
    else:
        blocks.append(Text("No gap and no fault was recorded."))
    return blocks


def _ledger(run: RunAnswer) -> list[Block]:
    held = run.ledger
    lines = (
        ("work at the drawbar, draft", held.draft_work),
        ("work at the drawbar, buff", held.buff_work),
        ("change of potential energy of the trailing load", held.potential),
        ("change of kinetic energy of the trailing load", held.kinetic),
        ("curve resistance", held.curve),
        ("rolling resistance by the fit", held.rolling),
        ("closure: work less all of these", held.closure),
    )
    rows = tuple((n, pm(v.scaled(1e-3, "MJ"))) for n, v in lines if v is not None)
    told = {
        True: "The ledger closes within its uncertainty.",
        False: "The ledger does NOT close within its uncertainty: do not believe this run before"
        " the reason is found (mass, grade, calibration, brake not marked).",
        None: "The ledger cannot be closed: mass, grade or a fitted resistance is missing.",
    }[held.closes]
    missing = f" {held.seconds_missing:.0f} s without data" if held.seconds_missing else ""
    braked = f" {held.brake_seconds:.0f} s braked" if held.brake_seconds else ""
    out = f" Left out of the balance:{missing}{braked}." if missing or braked else ""
    return [TextTable(("energy", "MJ"), rows, "Energy ledger."), Text(told + out)]


def _peaks(run: RunAnswer) -> list[Block]:
    rows = [
        (
            f"highest {p.seconds:.0f} s mean {'pull' if p.value.unit == 'kN' else 'power'}",
            pm(p.value, unit=True),
            f"{p.t_start_s:.0f}",
            f"{p.speed_m_s * 3.6:.1f}",
        )
        for p in run.peaks
    ]
    for s in run.starts:
        rows += [
            (
                "start: breakaway pull",
                pm(s.breakaway_pull, unit=True),
                f"{s.t_start_s:.0f}",
                "0",
            ),
            ("start: greatest pull", pm(s.greatest_pull, unit=True), f"{s.t_start_s:.0f}", "—"),
        ]
    for t in run.stops:
        rows += [
            (
                f"stop: distance ({pm(t.duration, unit=True)})",
                pm(t.distance, unit=True),
                f"{t.t_start_s:.0f}",
                pm(t.speed.scaled(3.6, "km/h")),
            ),
            ("stop: mean retardation", pm(t.retardation, unit=True), f"{t.t_start_s:.0f}", "—"),
        ]
    if not rows:
        return []
    heads = ("figure", "value", "at, s", "speed, km/h")
    return [TextTable(heads, tuple(rows), "Peaks, starts and stops.")]


def _consumption(run: RunAnswer) -> list[Block]:
    rows = tuple(
        (
            used.kind,
            pm(used.used, unit=True),
            pm(used.work, unit=True),
            pm(used.per_kWh, unit=True),
            pm(used.per_hp_h, unit=True),
        )
        for used in (run.fuel, run.water)
        if used is not None
    )
    if not rows:
        return []
    heads = ("", "used", "drawbar work", "per kWh", "per hp·h")
    blocks: list[Block] = [
        TextTable(heads, rows, "Fuel and water over the marks that tell them.")
    ]
    if run.evaporation is not None:
        blocks.append(Text(f"Evaporation {pm(run.evaporation, unit=True)}."))
    return blocks


def _causes(answer: Worked) -> list[Block]:
    blocks: list[Block] = [Heading("Uncertainty by cause")]
    mean = answer.propagated_margin_kN
    if mean is None:
        band = answer.bands[0] if answer.bands else None
        if band is None:
            return [*blocks, Text("No figure to take apart.")]
        mean = band.pull
    joined: dict[str, float] = {}
    for cause, part in mean.parts.items():
        name = _group(cause)
        joined[name] = math.hypot(joined.get(name, 0.0), part)
    rows = tuple(
        (name, plain(u), f"{100 * (u / mean.u) ** 2:.1f}" if mean.u else "—")
        for name, u in sorted(joined.items(), key=lambda kv: -kv[1])
    )
    heads = ("cause", "standard uncertainty, kN", "share of variance, %")
    blocks.append(
        TextTable(heads, rows, "Of the mean margin (or pull), causes of a kind joined.")
    )
    made = answer.simulated
    if made is not None and answer.propagated_margin_kN is not None:
        blocks.append(
            Text(
                f"Mean margin by propagation {pm(answer.propagated_margin_kN, unit=True)}; by Monte"
                f" Carlo with {made.draws} draws {made.mean_kN:.2f} kN, 95 % from"
                f" {made.low_kN:.2f} to {made.high_kN:.2f} kN."
            )
        )
    return blocks


def _group(cause: str) -> str:
    for word in ("random", "locomotive grade", "locomotive acceleration", "scatter"):
        if cause.startswith(word) and cause != "locomotive grade common":
            return f"{word}, each stretch"
    return cause
