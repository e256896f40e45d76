"""The verdict by run and by condition, and whether they may be joined."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.report.pages.document import Block, Heading, Text, TextTable, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.specification.conditions import PartVerdict

__all__ = ["conditions_section"]


def conditions_section(answer: CampaignAnswer) -> list[Block]:
    """One row a run and a rail; nothing for a single run under one condition."""
    held = answer.conditions
    if not held.parted:
        return []
    words = held.homogeneity.in_words
    return [
        Heading("Conditions and runs", 2),
        Text(words[:1].upper() + words[1:] + "."),
        TextTable(
            ("", "", "runs", "stretches", "mean margin, %", "verdict"),
            tuple(_row(p) for p in (*held.by_run, *held.by_rail)),
            "Each run and each condition by itself, ± 95 %.",
        ),
    ]


def _row(part: PartVerdict) -> tuple[str, ...]:
    margin = part.overall.margin
    return (
        part.what,
        part.value,
        f"{len(part.runs)}",
        f"{part.stretches}",
        "—" if margin is None else pm(margin),
        part.overall.verdict,
    )
