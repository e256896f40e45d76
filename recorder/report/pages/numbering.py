"""Numbers of headings, tables and figures: in the order of the document, the same in every form."""

from __future__ import annotations

from collections.abc import Sequence

from recorder.report.pages.document import Block, Chart, Heading, TextTable

__all__ = ["numbers_of"]


def numbers_of(blocks: Sequence[Block]) -> list[str]:
    """For each block ``1.2`` of a heading, ``Table 3``, ``Figure 4``, or nothing.

    A table without caption is part of the text around it, and has no number.
    """
    parts = [0, 0, 0]
    tables = figures = 0
    found = []
    for block in blocks:
        number = ""
        if isinstance(block, Heading):
            level = min(max(block.level, 1), len(parts))
            parts = [*parts[: level - 1], parts[level - 1] + 1, *[0] * (len(parts) - level)]
            # A part that begins below the first level has no number above it.
            number = ".".join(str(n) for n in parts[:level] if n)
        elif isinstance(block, TextTable) and block.caption:
            tables += 1
            number = f"Table {tables}"
        elif isinstance(block, Chart):
            figures += 1
            number = f"Figure {figures}"
        found.append(number)
    return found
