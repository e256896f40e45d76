"""A block: the records one read brought, with what ties their ticks to run time."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.run.header import Event, Gap

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

__all__ = [
    "BLOCK_DTYPE",
    "HEAD_DTYPE",
    "KeptBlock",
    "blocks_of",
    "gap_event",
    "gap_of",
    "gaps_of",
    "heads_of",
    "joined",
    "ticks_to_time",
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
class KeptBlock:
    """Records of one device in order of arrival. Time: ``t0_s + (tick - tick0)·s_per_tick``."""

    device: str
    sequence: int
    """Of the device's blocks, +1 a block."""
    received_s: float
    """Run time when the last byte of the last record was in hand."""
    tick0: int
    """Device tick of the provisional line below."""
    t0_s: float
    """Run time at ``tick0``."""
    s_per_tick: float
    records: NDArray[np.void]
    """(n,) in the device's layout."""

    def time_s(self) -> NDArray[np.float64]:
        """(n,) float64: provisional run time of each record, s."""
        return ticks_to_time(self.records["tick"], self.tick0, self.t0_s, self.s_per_tick)


def ticks_to_time(
    ticks: NDArray[np.uint64], tick0: int, t0_s: float, s_per_tick: float
) -> NDArray[np.float64]:
    """(n,) float64 run time in s of (n,) ticks along a line; earlier ticks are fine."""
    away = (np.asarray(ticks, dtype=np.uint64) - np.uint64(tick0 % 2**64)).view(np.int64)
    return np.asarray(t0_s + away * s_per_tick, dtype=np.float64)


def heads_of(blocks: Sequence[KeptBlock]) -> NDArray[np.void]:
    """(b,) of ``HEAD_DTYPE``: the heads of some blocks."""
    rows = [
        (
            block.sequence % 2**64,
            len(block.records),
            block.received_s,
            block.tick0 % 2**64,
            block.t0_s,
            block.s_per_tick,
        )
        for block in blocks
    ]
    return np.array(rows, HEAD_DTYPE)


def blocks_of(
    device: str, heads: NDArray[np.void], records: NDArray[np.void]
) -> list[KeptBlock]:
    """The blocks of (b,) heads and all their records on end; views, nothing is copied."""
    blocks = []
    first = 0
    for sequence, n, received_s, tick0, t0_s, s_per_tick in heads.tolist():
        blocks.append(
            KeptBlock(
                device=device,
                sequence=sequence,
                received_s=received_s,
                tick0=tick0,
                t0_s=t0_s,
                s_per_tick=s_per_tick,
                records=records[first : first + n],
            )
        )
        first += n
    return blocks


def times_of(heads: NDArray[np.void], ticks: NDArray[np.uint64]) -> NDArray[np.float64]:
    """(n,) provisional run times of the ticks of all records of (b,) heads, s."""
    n = heads["n"]
    away = (np.asarray(ticks, dtype=np.uint64) - np.repeat(heads["tick0"], n)).view(np.int64)
    time_s: NDArray[np.float64] = away * np.repeat(heads["s_per_tick"], n)
    time_s += np.repeat(heads["t0_s"], n)
    return time_s


def joined(arrays: Sequence[NDArray[np.void]]) -> NDArray[np.void]:
    """Structured arrays of one type on end; numpy's own way works field by field."""
    if len(arrays) == 1:
        return arrays[0]
    raw = b"".join([np.ascontiguousarray(array).view(np.uint8).data for array in arrays])
    return np.frombuffer(raw, arrays[0].dtype)


def gap_event(gap: Gap) -> Event:
    """A gap as the event the journal and the run file keep."""
    return Event(kind="gap", t_s=gap.t_end_s, data=asdict(gap))


def gap_of(data: Mapping[str, Any]) -> Gap:
    """The gap of an event's data.

    Raises
    ------
    TypeError, ValueError, KeyError
        The data are not a gap's.
    """
    return Gap(
        device=str(data["device"]),
        t_start_s=float(data["t_start_s"]),
        t_end_s=float(data["t_end_s"]),
        cause=str(data["cause"]),
        detail=str(data.get("detail", "")),
        lost_records=int(data.get("lost_records", 0)),
        before_record=int(data.get("before_record", 0)),
    )


def gaps_of(events: Iterable[Event]) -> list[Gap]:
    """The gaps among events, in the order given."""
    return [gap_of(event.data) for event in events if event.kind == "gap"]
