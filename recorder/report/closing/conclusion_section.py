"""The conclusion in plain words, and who signs it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from recorder.report.pages.document import Block, Heading, Signatures, Text, VerdictBlock

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer

__all__ = ["conclusion_section"]

SIGN: Final = ("the test car", "motive power")
"""Where the trip sheet names nobody."""


def conclusion_section(
    answer: CampaignAnswer, found: VerdictBlock, *, rests_on: str
) -> list[Block]:
    """The answer of page one again, what it rests on, what it does not say; signatures."""
    lines = answer.trip.paper.signatures if answer.trip is not None else ()
    return [
        Heading("Conclusion"),
        Text(f"{found.verdict}. {found.detail}".strip(), "kept"),
        Text(rests_on, "kept"),
        Text(
            "The answer holds for this locomotive as it ran on these days, at the speeds and on the"
            " rail stated; it says nothing of others, nor of speeds that were not tested.",
            "kept",
        ),
        Signatures(lines or SIGN),
    ]
