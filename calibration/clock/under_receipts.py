"""A tie held under its receipts: nothing is received before it was taken.

The edge of lateness is a smooth line through the least values of windows, so here and there a
receipt lies a little below it; after a freeze, where few values tell of much, by more. Where one
does, the knots on either side of it are lowered until none is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.local_smooth import interpolated

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["held_under"]

CHUNK: Final = 1 << 20


def held_under(
    knots: NDArray[np.float64],
    knots_s: NDArray[np.float64],
    rate: float,
    steps: NDArray[np.float64],
    latest_s: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float]:
    """Times of (k,) knots, never falling, such that none of (n,) ticks lies after its receipt.

    Parameters
    ----------
    knots, knots_s : (k,) ticks, rising, and their times, never falling; k ≥ 2.
    rate
        Seconds a tick beyond the ends, ≥ 0.
    steps : (n,) ticks of the last sample of each block, never falling.
    latest_s : (n,) the latest that each of these can have been taken.

    Returns
    -------
    The times, and by how much the most lowered one was lowered, s.
    """
    above = np.zeros(len(knots) + 1)
    """Of each piece, before the first knot, between two, and beyond the last."""
    for start in range(0, len(steps), CHUNK):
        at, latest = steps[start : start + CHUNK], latest_s[start : start + CHUNK]
        piece = np.searchsorted(knots, at, side="left")
        over = interpolated(at, knots, knots_s, rate) - latest
        np.maximum.at(above, piece, over)
    lowered = knots_s - np.maximum(above[:-1], above[1:])
    # Two neighbours must not cross: the earlier one gives way, for down is never wrong.
    lowered = np.minimum.accumulate(lowered[::-1])[::-1]
    return lowered, float((knots_s - lowered).max())
