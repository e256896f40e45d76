"""The conclusion in plain words, and who signs it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.sentence import join
from recorder.report.pages.document import Block, Heading, Signatures, Text, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.report.section_parts.naming import Naming

__all__ = ["conclusion_section"]

SIGN: Final = ("the test car", "motive power")
"""Where the trip sheet names nobody."""


def conclusion_section(
    answer: CampaignAnswer, naming: Naming, *, verdict: str, rests_on: str
) -> list[Block]:
    """The answer again, what it rests on, what it does not say; signatures."""
    trip = next((r.loaded.trip for r in answer.runs if r.loaded.trip is not None), None)
    lines = trip.paper.signatures if trip is not None else ()
    reasons = naming.units.words(join("; ", answer.overall.reasons))
    detail = f" {reasons[:1].upper()}{reasons[1:]}." if reasons else ""
    margin = answer.overall.margin
    mean = "" if margin is None else f" Mean margin {pm(margin, unit=True)}."
    return [
        Heading("Conclusion"),
        Text(f"{verdict}.{detail}{mean}"),
        Text(rests_on),
        Text(
            "The answer holds for this locomotive as it ran on these days, at the speeds and on the"
            " rail stated; it says nothing of others, nor of speeds that were not tested."
        ),
        Signatures(lines or SIGN),
    ]
