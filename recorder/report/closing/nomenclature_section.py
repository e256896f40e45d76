"""Symbols, quantities and units once; words of other railways; assumptions with their values."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.analysis.campaign.assumptions import SOURCES, assumptions_of
from recorder.report.pages.document import Block, Heading, Text, TextTable
from recorder.report.pages.nomenclature import NOMENCLATURE, SYMBOLS

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.report.section_parts.naming import Naming

__all__ = ["assumptions_section", "nomenclature_section"]


def nomenclature_section(naming: Naming) -> list[Block]:
    """Two tables: symbols with units, and words."""
    units = naming.units
    symbols = tuple(
        (s.symbol, s.quantity, units.label(s.unit) if s.unit else "—", s.meaning)
        for s in SYMBOLS
    )
    words = tuple((t.word, t.elsewhere, t.meaning) for t in NOMENCLATURE)
    return [
        Heading("Nomenclature"),
        TextTable(
            ("symbol", "quantity", "unit here", "meaning"),
            symbols,
            f"Symbols, with the units of this edition ({units.name}).",
        ),
        TextTable(
            ("here", "on other railways", "meaning"), words, "Words, and those of others."
        ),
    ]


def assumptions_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """What no instrument measured: value, uncertainty, and where both are from."""
    rows = []
    for run in answer.runs:
        for a in assumptions_of(run.loaded):
            row = (
                naming.owned(a.what),
                naming.units.words(a.value),
                a.value_from,
                naming.units.words(a.u),
                a.u_from,
            )
            if row not in rows:
                rows.append(row)
    heads = ("what", "value", "value from", "standard uncertainty", "uncertainty from")
    caption = "What no instrument measured: stated in the trip sheet, or assumed."
    return [
        Heading("Assumptions"),
        TextTable(heads, tuple(rows), caption),
        Text(SOURCES, "small"),
    ]
