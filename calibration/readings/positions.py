"""Positions of a cell in the press: angles on a circle, read off by eye."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["SLACK_DEG", "by_position", "position_index", "same_position", "turn_deg"]

SLACK_DEG: Final = 10.0
"""Two angles no further apart are one position, and a turn may be so far from even; common
practice."""
_ROUNDING_DEG: Final = 1e-9


def turn_deg(one_deg: float, other_deg: float) -> float:
    """The shorter way round from one angle to the other, 0 to 180; NaN where either is."""
    return abs((one_deg - other_deg + 180.0) % 360.0 - 180.0)


def same_position(one_deg: float, other_deg: float) -> bool:
    """Whether two angles are one position, over a whole turn too; NaN is none."""
    return turn_deg(one_deg, other_deg) <= SLACK_DEG + _ROUNDING_DEG


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


def position_index(positions_deg: NDArray[np.float64]) -> NDArray[np.int64]:
    """(n,) which of the positions of ``by_position`` each angle is at; −1 where it is NaN."""
    angles, first, inverse = np.unique(positions_deg, return_index=True, return_inverse=True)
    turn = np.argsort(first)  # a table has many readings, and few angles
    index = np.full(len(angles), -1, dtype=np.int64)
    for place, members in enumerate(by_position(angles[turn].tolist())):
        index[turn[list(members)]] = place
    return np.asarray(index[inverse.reshape(-1)])
