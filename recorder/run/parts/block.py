"""A block: records one device sent together, on one line from ticks to run time.

The same block goes from the device's thread through the ring to the keeper, the journal and the
window. Where many blocks are worked on at once (journal rows, the writer of the run file) their
heads are one array of ``HEAD_DTYPE`` beside one array of all their records.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.tick_line import TickLine, time_along

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "BLOCK_DTYPE",
    "HEAD_DTYPE",
    "Block",
    "blocks_of",
    "by_device",
    "heads_of",
    "joined",
    "times_of",
]

BLOCK_DTYPE: Final = np.dtype(
    [
        ("sequence", "<u8"),
        ("first_record", "<u8"),
        ("n", "<u4"),
        ("received_s", "<f8"),
        ("tick0", "<u8"),
        ("tick_last", "<u8"),
        ("t0_s", "<f8"),
        ("s_per_tick", "<f8"),
    ]
)
"""One row of a device's table of blocks: enough to fit ticks to run time again."""

HEAD_DTYPE: Final = np.dtype(
    [
        ("sequence", "<u8"),
        ("n", "<u4"),
        ("received_s", "<f8"),
        ("tick0", "<u8"),
        ("t0_s", "<f8"),
        ("s_per_tick", "<f8"),
    ]
)
"""A block without its records, as many blocks are worked on at once (packed, 44 bytes)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Records of one device in order of arrival, all on one line. Never changed."""

    device: str
    records: NDArray[np.void]
    """(n,) in the device's layout."""
    line: TickLine
    """Provisional: made live; the seal fits ticks to run time again."""
    received_s: float
    """Run time when the last byte of the last record was in hand."""
    sequence: int = 0
    """Of the device's blocks in this run, +1 a block; the ring's writer counts."""
    first_record: int = 0
    """Number of the first record among all the device sent in this run; likewise."""
    gap_before: bool = False
    """Something is missing before the first record. Its extent and cause are a ``Gap``, which is
    what the journal keeps; the flag lets a reader of the ring draw the break at once."""

    def time_s(self) -> NDArray[np.float64]:
        """(n,) float64: provisional run time of each record, s."""
        return self.line.time_s(self.records["tick"])

    def part(self, start: int, stop: int) -> Block:
        """Records ``start`` to ``stop`` as a block; only the first part has the gap before it."""
        first = self.first_record + start
        gap = self.gap_before and start == 0
        return replace(
            self, records=self.records[start:stop], first_record=first, gap_before=gap
        )


def by_device(blocks: Sequence[Block]) -> dict[str, list[Block]]:
    """The blocks that hold records, of each device, in order."""
    result: dict[str, list[Block]] = {}
    for block in blocks:
        if len(block.records):
            result.setdefault(block.device, []).append(block)
    return result


def heads_of(blocks: Sequence[Block]) -> NDArray[np.void]:
    """(b,) of ``HEAD_DTYPE``: the heads of some blocks."""
    rows = [
        (
            block.sequence % 2**64,
            len(block.records),
            block.received_s,
            block.line.tick0 % 2**64,
            block.line.t0_s,
            block.line.s_per_tick,
        )
        for block in blocks
    ]
    return np.array(rows, HEAD_DTYPE)


def blocks_of(device: str, heads: NDArray[np.void], records: NDArray[np.void]) -> list[Block]:
    """The blocks of (b,) heads and all their records on end; views, nothing is copied."""
    blocks = []
    first = 0
    for sequence, n, received_s, tick0, t0_s, s_per_tick in heads.tolist():
        blocks.append(
            Block(
                device=device,
                sequence=sequence,
                received_s=received_s,
                line=TickLine(tick0=tick0, t0_s=t0_s, s_per_tick=s_per_tick),
                records=records[first : first + n],
            )
        )
        first += n
    return blocks


def times_of(heads: NDArray[np.void], ticks: NDArray[np.uint64]) -> NDArray[np.float64]:
    """(n,) provisional run times of the ticks of all records of (b,) heads, s."""
    n = heads["n"]
    tick0, t0_s = np.repeat(heads["tick0"], n), np.repeat(heads["t0_s"], n)
    return time_along(ticks, tick0, t0_s, np.repeat(heads["s_per_tick"], n))


def joined(arrays: Sequence[NDArray[np.void]]) -> NDArray[np.void]:
    """Structured arrays of one type on end; numpy's own way works field by field."""
    if len(arrays) == 1:
        return arrays[0]
    raw = b"".join([np.ascontiguousarray(array).view(np.uint8).data for array in arrays])
    return np.frombuffer(raw, arrays[0].dtype)
