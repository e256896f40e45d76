"""Marks on a chart roll: each at its instant, its words beside it, crowded ones side by side."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from recorder.report.particulars.keyed import mark_words
from recorder.report.roll.paper import LEFT_MM, TITLE_MM, TOP_MM, Sheet, text, wrapped

__all__ = ["beside", "draw_marks"]

_SIZE: Final = 2.7
_PITCH_MM: Final = 3.2
"""From one upright line of words to the next."""
_LEADER_MM: Final = 4.5
_MOST_LINES: Final = 3


@dataclass(frozen=True, slots=True)
class _Label:
    x: float
    """Of the mark on the page."""
    lines: tuple[str, ...]

    @property
    def wide(self) -> float:
        return _PITCH_MM * len(self.lines)


def draw_marks(sheet: Sheet, head_mm: float, bottom: float) -> str:
    """Lines across the pens; above them the words upright, each led to its mark. Where a sheet
    has not room for all words, that is written."""
    placed = sorted(
        ((sheet.at(m.t_s), mark_words(m, sheet.units)) for m in sheet.run.marks),
        key=lambda pair: pair[0],
    )
    here = [(sheet.page(x), words) for x, words in placed if sheet.holds(x)]
    foot = TOP_MM - TITLE_MM - 0.5
    out = [
        f'<line class="mark" x1="{x:.3f}" x2="{x:.3f}" y1="{foot}" y2="{bottom:.3f}"'
        ' stroke="black" stroke-width="0.12" stroke-dasharray="1.2 0.8"/>'
        for x, _ in here
    ]
    room = (LEFT_MM, sheet.width_mm - 2.0)
    labels = _fitting(here, foot - _LEADER_MM - head_mm - 2.0, room[1] - room[0])
    middles = beside([k.x for k in labels], [k.wide for k in labels], room)
    for label, middle in zip(labels, middles, strict=True):
        out += _drawn(label, middle, foot)
    if len(labels) < len(here):
        missing = f"{len(here) - len(labels)} marks of this sheet have no room for their words:"
        words = f"{missing} testcar marks RUN lists them."
        out.append(text(room[1], head_mm + 1.0, words, 2.6, "end"))
    return "".join(out)


def _fitting(marks: Sequence[tuple[float, str]], high: float, room: float) -> list[_Label]:
    """Labels of as many marks as the rail has room for: in several lines, else in one."""
    for most in range(_MOST_LINES, 0, -1):
        labels = [_Label(x, tuple(wrapped(words, high, _SIZE, most))) for x, words in marks]
        if sum(label.wide for label in labels) <= room:
            return labels
    return labels[: int(room // _PITCH_MM)]


def _drawn(label: _Label, middle: float, foot: float) -> list[str]:
    """A leader from the mark to its words, bent where they stand aside."""
    left = middle - label.wide / 2
    leader = (
        f'<path class="leader" d="M{label.x:.3f} {foot:.3f}V{foot - 1:.3f}'
        f'L{left + _PITCH_MM / 2:.3f} {foot - _LEADER_MM + 0.7:.3f}"'
        ' fill="none" stroke="black" stroke-width="0.12"/>'
    )
    return [leader] + [
        f'<text class="words" transform="translate({left + (i + 0.8) * _PITCH_MM:.3f}'
        f' {foot - _LEADER_MM:.3f}) rotate(-90)" font-size="{_SIZE}">{html.escape(words)}</text>'
        for i, words in enumerate(label.lines)
    ]


def beside(
    wanted: Sequence[float], widths: Sequence[float], room: tuple[float, float]
) -> list[float]:
    """Middles of things so wide, in order and without overlap within ``room``, as near to where
    each is wanted as may be by least squares."""
    # Without the widths of those before, middles need only not fall: joined means do that.
    offsets = [sum(widths[:i]) + w / 2 for i, w in enumerate(widths)]
    blocks: list[tuple[float, int]] = []
    for place, offset in zip(wanted, offsets, strict=True):
        total, n = place - offset, 1
        while blocks and blocks[-1][0] / blocks[-1][1] > total / n:
            before, m = blocks.pop()
            total, n = total + before, n + m
        blocks.append((total, n))
    low, high = room[0], room[1] - sum(widths)
    starts = [min(max(total / n, low), high) for total, n in blocks for _ in range(n)]
    return [start + offset for start, offset in zip(starts, offsets, strict=True)]
