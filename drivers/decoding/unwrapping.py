"""32-bit counters made 64 bits wide, with the low bits that came left as they are.

A wide value ``v`` of a wire value ``w`` always has ``v & 0xFFFFFFFF == w``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "MASK_32",
    "WRAP_32",
    "hold_last",
    "later",
    "nearest",
    "run_forward",
    "run_signed",
    "signed_step",
]

WRAP_32: Final = 1 << 32
MASK_32: Final = WRAP_32 - 1


def later(previous: int, wire: int) -> int:
    """Smallest value not below ``previous`` that has the low bits ``wire``."""
    return previous + ((wire - previous) & MASK_32)


def nearest(expected: int, wire: int) -> int:
    """Value nearest to ``expected`` that has the low bits ``wire``; may be negative."""
    return expected + signed_step(expected, wire)


def signed_step(previous: int, wire: int) -> int:
    """Shortest way from ``previous`` to ``wire``, −2**31 … 2**31 − 1."""
    return ((wire - previous + (WRAP_32 >> 1)) & MASK_32) - (WRAP_32 >> 1)


def run_forward(first: int, wires: NDArray[np.uint32]) -> NDArray[np.uint64]:
    """Widen an unbroken run that only goes forward.

    Parameters
    ----------
    first : int
        Wide value of ``wires[0]``.
    wires : (n,) uint32, n ≥ 1

    Returns
    -------
    (n,) uint64
    """
    wide = np.empty(wires.size, dtype=np.uint64)
    wide[0] = first
    np.cumsum(wires[1:] - wires[:-1], dtype=np.uint64, out=wide[1:])
    wide[1:] += np.uint64(first)
    return wide


def run_signed(first: int, wires: NDArray[np.uint32]) -> NDArray[np.int64]:
    """Widen an unbroken run that goes either way, each step the short way round.

    Parameters
    ----------
    first : int
        Wide value of ``wires[0]``.
    wires : (n,) uint32, n ≥ 1

    Returns
    -------
    (n,) int64
    """
    wide = np.empty(wires.size, dtype=np.int64)
    wide[0] = first
    np.cumsum((wires[1:] - wires[:-1]).view(np.int32), dtype=np.int64, out=wide[1:])
    wide[1:] += first
    return wide


def hold_last(
    fresh: NDArray[np.uint64], changed: NDArray[np.bool_], before: int
) -> NDArray[np.uint64]:
    """Keep the value of the last change: ``fresh`` where changed, else what was there before.

    Parameters
    ----------
    fresh, changed : (n,)
    before : int
        Value before the first row.
    """
    last = np.where(changed, np.arange(fresh.size), -1)
    np.maximum.accumulate(last, out=last)
    return np.where(last >= 0, fresh[last], np.uint64(before))
