"""One run in the report: along the run, ledger, peaks, starts, stops, fuel, log, gaps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from recorder.analysis.campaign.loaded_run import LoadedRun
from recorder.analysis.campaign.run_answer import RunAnswer
from recorder.analysis.uncertainty.measured import Measured
from recorder.report.pages.document import Block, Chart, Heading, Text, TextTable, plain, pm
from recorder.report.pages.run_charts import along_chart
from recorder.report.pages.shown_units import ShownUnits

__all__ = ["run_section"]

MOST_ROWS: Final = 500
"""Of one list on paper: some ten pages, which nobody reads to their end (our choice)."""
_SMALLEST_KJ = 1.0


def run_section(run: RunAnswer, units: ShownUnits) -> list[Block]:
    """All blocks of one run."""
    loaded = run.loaded
    blocks: list[Block] = [Heading(f"Run {loaded.name}")]
    if len(loaded.series):
        chart = along_chart(loaded, units)
        blocks.append(
            Chart(
                f"along-{loaded.run_id[:8]}",
                chart,
                f"Along run {loaded.name}: least to greatest in each column, tension +; gaps are"
                " left open.",
            )
        )
    blocks += [*_ledger(run, units), *_peaks(run, units), *_consumption(run, units)]
    return [*blocks, *_log(run)]


def _log(run: RunAnswer) -> list[Block]:
    loaded = run.loaded
    blocks: list[Block] = []
    marks = tuple((f"{m.t_s:.2f}", m.kind, m.value, m.note, m.by) for m in loaded.marks)
    if marks:
        heads = ("run time, s", "mark", "value", "note", "by")
        caption = f"Marks of run {loaded.name}, newest revisions."
        blocks.append(_listed(heads, marks, caption, "the table tables/marks"))
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
        caption = f"Gaps and faults of run {loaded.name}."
        blocks.append(_listed(wide, holes, caption, "the table tables/gaps"))
    else:
        blocks.append(Text("No gap and no fault was recorded."))
    return [*blocks, *_health(loaded)]


def _health(loaded: LoadedRun) -> list[Block]:
    """Stretches in which a channel was not sound."""
    rows = tuple(
        (
            ", ".join(e.channels),
            f"{e.t_start_s:.1f}",
            f"{e.t_stop_s:.1f}",
            str(e.fault),
            f"{e.samples}",
            e.text,
        )
        for e in loaded.provenance.description.episodes
    )
    if not rows:
        return []
    heads = ("channel", "from, s", "to, s", "fault", "samples", "what was seen")
    caption = (
        f"Stretches of run {loaded.name} in which a channel was not sound. Single spikes are in no"
        " figure; what was stuck, railed or contradicted is not judged."
    )
    return [_listed(heads, rows, caption, "results.json")]


def _listed(
    heads: tuple[str, ...], rows: Sequence[tuple[str, ...]], caption: str, whole: str
) -> TextTable:
    """The first rows of a list, and where all of them are."""
    if len(rows) > MOST_ROWS:
        caption += f" The first {MOST_ROWS:,} of {len(rows):,}; {whole} has them all."
    return TextTable(heads, tuple(rows[:MOST_ROWS]), caption)


def _ledger(run: RunAnswer, units: ShownUnits) -> list[Block]:
    held = run.ledger
    lines = (
        ("work at the drawbar, draft", held.draft_work),
        ("work at the drawbar, buff", held.buff_work),
        ("change of potential energy of the trailing load", held.potential),
        ("change of kinetic energy of the trailing load", held.kinetic),
        ("curve resistance", held.curve),
        ("rolling resistance by the fit", held.rolling),
        ("closure: work less all of these, where no resistance was fitted", held.closure),
    )
    rows = tuple((n, _energy(v, units)) for n, v in lines if v is not None)
    over = f" It was worked over {held.balanced_seconds:.0f} s." * (held.closure is not None)
    verdict = {
        True: "The ledger closes within its uncertainty.",
        False: "The ledger does NOT close within its uncertainty: do not believe this run before"
        " the reason is found (mass, grade, calibration, brake not marked).",
        None: f"The ledger cannot be closed: {held.why_open or 'an energy is not known'}.",
    }[held.closes]
    missing = f" {held.seconds_missing:.0f} s without data" * (held.seconds_missing >= 0.5)
    braked = f" {held.brake_seconds:.0f} s braked" * (held.brake_seconds >= 0.5)
    both = "," if missing and braked else ""
    out = f" Left out of the balance:{missing}{both}{braked}." if missing or braked else ""
    heads = ("energy", units.label("kJ"))
    return [
        TextTable(heads, rows, f"Energy ledger of run {run.loaded.name}."),
        Text(verdict + over + out),
        Text(_mass_words(run, units)),
    ]


def _mass_words(run: RunAnswer, units: ShownUnits) -> str:
    """The trailing mass as grades and starts show it, against the trip sheet's."""
    check = run.mass_check
    if check is None:
        return "The trip sheet states no trailing mass to hold against grades and starts."
    k, unit = units.factor("t"), units.label("t")
    stated = f"the trip sheet says {plain(check.stated_t * k, 4)} {unit}"
    found = check.estimate.joined
    own = "The locomotive's own mass cannot be seen so."
    if found is None:
        return f"Grades and starts of this run do not tell the trailing mass; {stated}. {own}"
    agrees = {
        True: "they agree",
        False: "they do NOT agree",
        None: "neither bears the other out",
    }
    shown = pm(units.of(found), unit=True)
    return (
        f"Grades and starts show a trailing mass of {shown}, {stated}: {agrees[check.agrees]}."
        f" {own}"
    )


def _energy(value: Measured, units: ShownUnits) -> str:
    """A train that stands at both ends changed no kinetic energy: no digits of rounding."""
    if not math.isfinite(value.value):
        return "not known"
    if abs(value.value) < _SMALLEST_KJ and value.u < _SMALLEST_KJ:
        return "0"
    return pm(units.of(value))


def _shown(value: Measured | None, units: ShownUnits) -> str:
    if value is None or not math.isfinite(value.value):
        return "—"
    return pm(units.of(value), unit=True)


def _peaks(run: RunAnswer, units: ShownUnits) -> list[Block]:
    rows = [
        (
            f"highest {p.seconds:.0f} s mean {'pull' if p.value.unit == 'kN' else 'power'}",
            _shown(p.value, units),
            f"{p.t_start_s:.0f}",
            _speed(p.speed_m_s, units),
        )
        for p in run.peaks
    ]
    for s in run.starts:
        at = f"{s.t_start_s:.0f}"
        rows += [
            ("start: breakaway pull", _shown(s.breakaway_pull, units), at, "0"),
            ("start: greatest pull", _shown(s.greatest_pull, units), at, "—"),
        ]
    for t in run.stops:
        at = f"{t.t_start_s:.0f}"
        distance = f"stop: distance ({_shown(t.duration, units)})"
        rows += [
            (distance, _shown(t.distance, units), at, pm(units.of(t.speed))),
            ("stop: mean retardation", _shown(t.retardation, units), at, "—"),
        ]
    rows += [
        ("brake: no stop test, see the notes", "—", f"{t.t_start_s:.0f}", "—")
        for t in run.lost_stops
    ]
    if not rows:
        return []
    heads = ("figure", "value", "at, s", f"speed, {units.label('m/s')}")
    return [TextTable(heads, tuple(rows), f"Peaks, starts and stops of run {run.loaded.name}.")]


def _speed(speed_m_s: float, units: ShownUnits) -> str:
    return f"{speed_m_s * units.factor('m/s'):.1f}" if math.isfinite(speed_m_s) else "—"


def _consumption(run: RunAnswer, units: ShownUnits) -> list[Block]:
    used = [c for c in (run.fuel, run.water) if c is not None]
    if not used:
        return [Text("Fuel and water: fewer than two marks give them; nothing is stated.")]
    rows = tuple(
        (
            c.kind,
            f"{c.t_start_s:.0f}-{c.t_end_s:.0f}",
            *(_shown(v, units) for v in (c.used, c.work, c.per_kWh, c.per_hp_h)),
        )
        for c in used
    )
    heads = ("", "time, s", "used", "drawbar work", "per unit of work", "per hp·h")
    blocks: list[Block] = [
        TextTable(heads, rows, "Fuel and water over the marks that give them, ± 95 %.")
    ]
    if run.evaporation is not None:
        blocks.append(Text(f"Evaporation {_shown(run.evaporation, units)}."))
    assumed = [n for c in used for n in c.assumed]
    return [*blocks, *(Text(f"{n[:1].upper()}{n[1:]}.", "small") for n in assumed)]
