"""A section that cannot be made says so in its place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.analysis.campaign.unmade import Unmade, attempt
from recorder.report.pages.document import Block, Heading, Text

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["made"]


def made(what: str, make: Callable[[], list[Block]], unmade: list[Unmade]) -> list[Block]:
    """The blocks of a section, or its heading and why there is no more of it."""
    before = len(unmade)
    nothing: list[Block] = []
    blocks = attempt(what, make, nothing, unmade)
    if len(unmade) == before:
        return blocks
    return [Heading(what, 2), Text(f"Not made: {unmade[-1].why}.")]
