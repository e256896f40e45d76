"""What was asked of every test section before it was judged, and what that refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.analysis.admission.summary import sum_up, words_not_understood
from recorder.report.pages.document import Block, Heading, Text, TextTable

if TYPE_CHECKING:
    from recorder.analysis.admission.summary import CriterionCount
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.report.section_parts.naming import Naming

__all__ = ["admission_section"]


def admission_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """Every criterion with its limit and what it refused."""
    held = sum_up([r for run in answer.runs for r in run.results])
    if not held.criteria:
        return []
    blocks: list[Block] = [
        Heading("Admission to judgement", 2),
        Text(
            f"{held.in_words}. Every test section was asked every question; the table of admission"
            " (tables/admission) has what was found of each."
        ),
        TextTable(
            ("asked", "allowed", "refused", "seconds", "not known", "mostly because"),
            tuple(_row(c, naming.units) for c in held.criteria),
            "What was asked of every test section. One may be refused by several questions; the"
            " column not known counts admitted ones only.",
        ),
    ]
    vague = _vague(answer)
    if vague:
        blocks.append(Text(f"Marks that were not understood: {', '.join(vague)}.", "small"))
    return blocks


def _row(count: CriterionCount, units: ShownUnits) -> tuple[str, ...]:
    return (
        count.kind.value,
        units.words(count.limit),
        f"{count.refused}" if count.refused else "—",
        f"{count.refused_s:.0f}" if count.refused else "—",
        f"{count.unknown}" if count.unknown else "—",
        units.words(count.commonest),
    )


def _vague(answer: CampaignAnswer) -> list[str]:
    found = [
        word
        for run in answer.runs
        for word in words_not_understood(run.loaded.marks, run.loaded.specification)
    ]
    return list(dict.fromkeys(found))
