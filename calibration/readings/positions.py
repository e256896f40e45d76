"""Positions of a cell in the press: angles on a circle, read off by eye."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

__all__ = ["SLACK_DEG", "by_position", "same_position"]

SLACK_DEG: Final = 10.0
"""Two angles no further apart are one position, and a turn may be so far from even; common
practice."""
_ROUNDING_DEG: Final = 1e-9


def same_position(one_deg: float, other_deg: float) -> bool:
    """Whether two angles are one position, over a whole turn too; NaN is none."""
    apart = abs((one_deg - other_deg + 180.0) % 360.0 - 180.0)
    return apart <= SLACK_DEG + _ROUNDING_DEG


def by_position(positions_deg: Sequence[float]) -> tuple[tuple[int, ...], ...]:
    """Indices of the angles at each position, as they come; an angle that is NaN is at none.

    A position is the angle that comes first at it: three of 0, 8 and 16 degrees are two.
    """
    found: list[list[int]] = []
    for i, at in enumerate(positions_deg):
        here = next((g for g in found if same_position(at, positions_deg[g[0]])), None)
        if here is not None:
            here.append(i)
        elif same_position(at, at):
            found.append([i])
    return tuple(tuple(group) for group in found)
