"""What was admitted to judgement and what was refused: in a few lines, and in a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from recorder.analysis.admission.summary import sum_up, words_not_understood
from recorder.report.pages.document import Block, Heading, Text, TextTable

if TYPE_CHECKING:
    from recorder.analysis.admission.summary import AdmissionSummary, CriterionCount
    from recorder.analysis.campaign.answer import CampaignAnswer

__all__ = ["admission_section", "admission_words"]

MOST_REFUSALS: Final = 4
"""On page one; the table has them all."""


def admission_words(answer: CampaignAnswer) -> list[Block]:
    """For page one: how much was admitted, the commonest refusals, what was not known."""
    held = _summary(answer)
    refused = sorted((c for c in held.criteria if c.refused), key=lambda c: -c.refused_s)
    shown = [f"{c.commonest} ({c.refused}; {c.refused_s:.0f} s)" for c in refused]
    sentence = f"{held.in_words}."
    if shown:
        more = len(shown) - MOST_REFUSALS
        rest = f"; and {more} more reason{'s' * (more > 1)}" if more > 0 else ""
        several = sum(c.refused for c in refused) > held.stretches - held.admitted
        twice = " (some for several reasons, and counted under each)" * several
        sentence += (
            f" Refused, mostly because{twice}: {'; '.join(shown[:MOST_REFUSALS])}{rest}."
        )
    unknown = [c.kind.value for c in held.criteria if c.unknown]
    if unknown:
        sentence += f" Not known of admitted stretches: {', '.join(unknown)}."
    blocks: list[Block] = [Heading("What is judged", 2), Text(sentence, "small")]
    vague = _vague(answer)
    if vague:
        words = f"Marks that were not understood: {', '.join(vague)}."
        blocks.append(Text(words, "small"))
    return blocks


def admission_section(answer: CampaignAnswer) -> list[Block]:
    """Every criterion with its limit and what it refused."""
    held = _summary(answer)
    if not held.criteria:
        return []
    return [
        Heading("Admission to judgement", 2),
        Text(
            f"{held.in_words}. Every stretch was asked every question; the table of admission"
            " (tables/admission) has what was found of each."
        ),
        TextTable(
            ("asked", "allowed", "refused", "seconds", "not known", "mostly because"),
            tuple(_row(c) for c in held.criteria),
            "What was asked of every stretch. One may be refused by several criteria; not known"
            " counts admitted ones only.",
        ),
    ]


def _summary(answer: CampaignAnswer) -> AdmissionSummary:
    return sum_up([r for run in answer.runs for r in run.results])


def _row(count: CriterionCount) -> tuple[str, ...]:
    return (
        count.kind.value,
        count.limit,
        f"{count.refused}" if count.refused else "—",
        f"{count.refused_s:.0f}" if count.refused else "—",
        f"{count.unknown}" if count.unknown else "—",
        count.commonest,
    )


def _vague(answer: CampaignAnswer) -> list[str]:
    found = [
        word
        for run in answer.runs
        for word in words_not_understood(run.loaded.marks, run.loaded.specification)
    ]
    return list(dict.fromkeys(found))
