"""Conditions and runs: each run in a row; verdicts by run and by rail, and whether they join."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from calibration.quantities.written import written
from recorder.marks.kinds import Kind
from recorder.report.pages.document import Block, Heading, Text, TextTable, pm
from recorder.report.particulars.keyed import keyed_words

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.run_answer import RunAnswer
    from recorder.analysis.specification.conditions import PartVerdict
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.report.section_parts.naming import Naming

__all__ = ["conditions_section"]


def conditions_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """Every run; and, where there are several or several rails, each by itself."""
    units = naming.units
    heads = (
        "run",
        "file",
        f"locomotive, {units.label('t')}",
        f"trailing load, {units.label('t')}",
        f"distance, {units.label('km')}",
        "time, min",
        "grade from",
        "weather as keyed",
    )
    rows = tuple(_row(run, naming) for run in answer.runs)
    return [
        Heading("Conditions and runs"),
        TextTable(heads, rows, "Runs of the trial and their conditions."),
        *_parts(answer, naming),
    ]


def _row(run: RunAnswer, naming: Naming) -> tuple[str, ...]:
    loaded, units = run.loaded, naming.units
    weather = [m for m in loaded.marks if m.kind == Kind.WEATHER]
    told = list(dict.fromkeys(keyed_words(m.value, units) for m in weather))
    km = run.energy_balance.metres / 1000.0 * units.factor("km")
    return (
        naming.letter(loaded.name),
        loaded.provenance.path.name,
        _mass(loaded.train.locomotive.mass_t, units),
        _mass(loaded.train.trailing.mass_t, units),
        f"{km:.2f}" if math.isfinite(km) else "not known",
        f"{loaded.duration_s / 60:.1f}",
        loaded.series.grade_source.words,
        "; then ".join(told[:4]) or "none keyed",
    )


def _mass(value: float | None, units: ShownUnits) -> str:
    return "not known" if value is None else written(value * units.factor("t"), 0)


def _parts(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    held = answer.conditions
    if not held.parted:
        return []
    words = naming.told(held.homogeneity.in_words)
    return [
        Text(words[:1].upper() + words[1:] + "."),
        TextTable(
            ("", "", "runs", "test sections", "mean margin, %", "verdict"),
            tuple(_part(p, naming) for p in (*held.by_run, *held.by_rail)),
            "Each run and each condition of the rail by itself, ± 95 %.",
        ),
    ]


def _part(part: PartVerdict, naming: Naming) -> tuple[str, ...]:
    margin = part.overall.margin
    return (
        part.what,
        naming.letter(part.value),
        f"{len(part.runs)}",
        f"{part.stretches}",
        "—" if margin is None else pm(margin),
        part.overall.verdict,
    )
