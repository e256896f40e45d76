"""Mileposts that count themselves, up or down, and follow the crew when it corrects one."""

from __future__ import annotations

import math
from collections.abc import Iterable

from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark, current
from recorder.marks.values import MilepostMark

__all__ = ["next_milepost"]


def next_milepost(
    revisions: Iterable[Mark], *, first: float | None = None, step: float = 1.0
) -> MilepostMark:
    """What the next milepost mark should carry; bare while no number is known.

    Parameters
    ----------
    revisions
        All revisions of all marks so far. Withdrawn marks do not count.
    first
        What the trip sheet expects first.
    step
        Difference from one post to the next, below zero when numbers fall.

    The count goes on from the last post, in run time, that has a number, one step for it and
    one for each later post without a number (a post keyed but not yet named was passed all the
    same). When the last two numbered posts differ by exactly one step the other way, with none
    unnumbered between, the train has turned or the sheet had it wrong: the count follows the
    posts.

    Raises
    ------
    ValueError
        ``step`` is 0 or not finite.
    """
    if step == 0.0 or not math.isfinite(step):
        msg = f"step must be a number other than 0, got {step!r}"
        raise ValueError(msg)
    posts = [mark for mark in current(revisions) if mark.kind is Kind.MILEPOST]
    numbers = [_number(mark) for mark in posts]
    known = [(i, number) for i, number in enumerate(numbers) if number is not None]
    if not known:
        return MilepostMark(None if first is None else _rounded(first + step * len(posts)))
    last, value = known[-1]
    if len(known) > 1 and known[-2][0] == last - 1:
        moved = value - known[-2][1]
        if math.isclose(moved, -step, abs_tol=1e-9):
            step = -step
    return MilepostMark(_rounded(value + step * (len(posts) - last)))


def _number(mark: Mark) -> float | None:
    value = mark.meaning
    return value.number if isinstance(value, MilepostMark) else None


def _rounded(number: float) -> float:
    """To what a mark keeps."""
    return round(number, 6) + 0.0
