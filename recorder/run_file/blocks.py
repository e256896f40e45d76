"""A block: the records one read brought, with what ties their ticks to run time."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.run_file.header import Event, Gap

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

__all__ = ["BLOCK_DTYPE", "KeptBlock", "gap_event", "gap_of", "gaps_of", "ticks_to_time"]

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
