"""Columns of paper that moves on: what was reduced for the last frame is kept for the next."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.window.model.trace.pyramid import Columns

if TYPE_CHECKING:
    from recorder.window.model.trace.pyramid import Pyramid

__all__ = ["MovingColumns"]


@dataclass(frozen=True, slots=True)
class _Kept:
    """Columns of one width, reaching from one place to another."""

    axis: str
    width: float
    x0: float
    x1: float
    columns: Columns


class MovingColumns:
    """Of one pyramid, whose newest end is asked for again and again: only the column that was the
    newest and those after it are reduced anew.

    A column keeps what it was drawn with when it was new, which is the finest there ever was.
    """

    def __init__(self, pyramid: Pyramid) -> None:
        self._pyramid = pyramid
        self._kept: _Kept | None = None

    def columns(self, axis: str, x0: float, x1: float, width: float) -> Columns:
        """As :meth:`Pyramid.columns`."""
        kept = self._kept
        if (
            kept is not None
            and (kept.axis, kept.width) == (axis, width)
            and kept.x0 <= x0
            and kept.x1 <= x1
            and len(kept.columns.x) > 0
        ):
            found = self._gone_on(kept.columns, axis, x0, x1, width)
        else:
            found = self._pyramid.columns(axis, x0, x1, width)
        self._kept = _Kept(axis, width, x0, x1, found)
        return found

    def _gone_on(self, old: Columns, axis: str, x0: float, x1: float, width: float) -> Columns:
        number = math.floor(old.x[-1] / width)
        new = self._pyramid.columns(axis, number * width, x1, width, whole=x1 - x0)
        new = new[int(np.searchsorted(np.floor(new.x / width), number)) :]
        if len(new.x) and math.floor(new.x[0] / width) == number:
            # A part of it may by now be in a coarser bin of the column before: it was drawn.
            new.low[0] = np.fmin(new.low[0], old.low[-1])
            new.high[0] = np.fmax(new.high[0], old.high[-1])
            new.joined[0] &= old.joined[-1]
            if new.x[0] != old.x[-1]:
                new.x[0] = (number + 0.5) * width
            old = old[:-1]
        found = _joined(old, new)
        # One column before x0 stays: the line comes from there.
        return found[max(0, int(np.searchsorted(found.x, x0)) - 1) :]


def _joined(one: Columns, other: Columns) -> Columns:
    return Columns(
        x=np.concatenate((one.x, other.x)),
        low=np.concatenate((one.low, other.low)),
        high=np.concatenate((one.high, other.high)),
        joined=np.concatenate((one.joined, other.joined)),
    )
