"""Cells of a table that a spreadsheet would run as a formula, and how they are kept from it.

A text that begins with ``=``, ``+``, ``-`` or ``@`` (in either width), a tab or the end of a line
is taken for a formula by the programs that crews open tables with. Before such a text, and before
one that has the sign already, stands one apostrophe more; whoever reads a table takes one away
where it stands before such a sign. Where decimals have a comma, those programs cut a line at its
semicolons, whatever is quoted: so it is within a text, too, behind a semicolon, a tab and the end
of a line. Every text comes back as it was, and numbers stay numbers.
"""

from __future__ import annotations

import re
from typing import Final

__all__ = ["as_cell", "as_remark", "from_cell"]

_RUN: Final = "=+@\t\r\n＝＋－＠-"
_FORMULA: Final = re.compile(rf"'*\s*[{_RUN}]")
_KEPT: Final = re.compile(rf"'+\s*[{_RUN}]")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_CUT: Final = r"[;\t\r\n]"
_PIECE: Final = re.compile(rf"({_CUT})(?='*[\s\"]*[{_RUN}])")
_PIECE_KEPT: Final = re.compile(rf"({_CUT})'(?='*[\s\"]*[{_RUN}])")
_WITHIN: Final = re.compile(rf"([,;\t][\s\"]*)(?=[{_RUN}])")


def as_cell(text: str) -> str:
    """The text as it stands in a cell that no spreadsheet runs."""
    first = "'" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else ""
    return first + _PIECE.sub(r"\1'", text)


def from_cell(cell: str) -> str:
    """The text that :func:`as_cell` made the cell of."""
    return _PIECE_KEPT.sub(r"\1", cell[1:] if _KEPT.match(cell) else cell)


def as_remark(text: str) -> str:
    """One line of remarks in a table: no piece a spreadsheet cuts it into is a formula."""
    return _WITHIN.sub(r"\1'", " ".join(text.split()))
