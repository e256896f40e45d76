"""Device ticks to run time, worked out afterwards with all receipt times in hand.

A device that starts anew begins a new segment. A segment that is too short for a fit keeps the
lines it was recorded with, and says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np

from calibration.clock.tick_line import TickLine
from calibration.clock.ticks_to_run_time import fit_ticks

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import DeviceHeader, RunHeader

    Ticks: TypeAlias = NDArray[np.uint64]

__all__ = ["Segment", "Timeline", "as_given", "tie_ticks"]

LEAST_BLOCKS: Final = 20
"""A line through the earliest arrivals needs some that were not held up."""
LEAST_SPAN_S: Final = 5.0
"""Arrivals late by 5 ms over a shorter span bend the line by more than oscillators differ (1 000
ppm is beyond any crystal)."""
MOST_POINTS: Final = 100_000
"""Points given to one fit; of more, the earliest arrivals of even chunks are taken. More points
make the fit no better and its time at the seal longer."""
RESTART_S: Final = 60.0
"""Ticks and receipt times that part by more than this between two blocks: a restart. A stalled
host delays receipts by seconds, and a 32-bit tick at 1 MHz wraps after 71 min."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of records with one tie."""

    first_record: int
    stop_record: int
    source: str
    """``fit``, ``provisional`` (the lines of the recording), ``host clock`` or ``given``."""
    u_s: float
    """Standard uncertainty of the times; NaN when not known."""
    drift_ppm: float
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain data for the file; NaN as None."""
        row = asdict(self)
        for name in ("u_s", "drift_ppm"):
            row[name] = None if np.isnan(row[name]) else row[name]
        return row

    @classmethod
    def from_dict(cls, row: dict[str, Any]) -> Segment:
        """Inverse of :meth:`to_dict`.

        Raises
        ------
        TypeError, KeyError, ValueError
            The data are not a segment's; files may be damaged.
        """
        u_s, drift_ppm = row["u_s"], row["drift_ppm"]
        return cls(
            first_record=int(row["first_record"]),
            stop_record=int(row["stop_record"]),
            source=str(row["source"]),
            u_s=np.nan if u_s is None else float(u_s),
            drift_ppm=np.nan if drift_ppm is None else float(drift_ppm),
            why=str(row.get("why", "")),
        )


@dataclass(frozen=True, slots=True)
class Timeline:
    """The segments of one device, and how to make their times."""

    segments: tuple[Segment, ...]
    _lines: tuple[Callable[[Ticks], NDArray[np.float64]] | None, ...]

    def times(
        self, start: int, ticks: Ticks, provisional_s: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """(n,) run times of the records from ``start`` on, s."""
        result = provisional_s.copy()
        for segment, line in zip(self.segments, self._lines, strict=True):
            low = max(segment.first_record - start, 0)
            high = min(segment.stop_record - start, len(ticks))
            if low < high and line is not None:
                result[low:high] = line(ticks[low:high])
        return result

    def edge_times(
        self,
        index: NDArray[np.int64],
        edges: Ticks,
        frame_ticks: Ticks,
        frame_s: NDArray[np.float64],
        tick_hz: float,
    ) -> NDArray[np.float64]:
        """(k,) run times of ticks a record tells of that lie before its own tick, s.

        ``index`` are the records, ``frame_ticks`` and ``frame_s`` their own ticks and times.
        """
        result = frame_s - (frame_ticks - edges).view(np.int64) / tick_hz
        for segment, line in zip(self.segments, self._lines, strict=True):
            here = (index >= segment.first_record) & (index < segment.stop_record)
            if line is not None and here.any():
                result[here] = line(edges[here])
        return result


def as_given(n: int) -> Timeline:
    """The timeline of n records whose times came with them and stand as they are."""
    whole = Segment(first_record=0, stop_record=n, source="given", u_s=np.nan, drift_ppm=np.nan)
    return Timeline((whole,), (None,))


def tie_ticks(
    device: DeviceHeader,
    header: RunHeader,
    blocks: NDArray[np.void],
    gaps: Iterable[Gap],
) -> Timeline:
    """Tie one device's ticks to run time.

    Parameters
    ----------
    blocks : (b,) with ``first_record``, ``n``, ``received_s``, ``tick_last``, in order
    gaps
        Of this run; a restart of this device begins a new segment.
    """
    if not len(blocks):
        return Timeline((), ())
    n = int(blocks["first_record"][-1]) + int(blocks["n"][-1])
    if device.host_clock:
        whole = Segment(
            first_record=0, stop_record=n, source="host clock", u_s=0.0, drift_ppm=0.0
        )
        return Timeline((whole,), (_host_line(header, device),))
    edges = _edges(device, blocks, gaps)
    segments, lines = [], []
    for low, high in zip(edges, [*edges[1:], len(blocks)], strict=True):
        stop = int(blocks["first_record"][high]) if high < len(blocks) else n
        segment, line = _tie(device, blocks[low:high], stop)
        segments.append(segment)
        lines.append(line)
    return Timeline(tuple(segments), tuple(lines))


def _host_line(
    header: RunHeader, device: DeviceHeader
) -> Callable[[Ticks], NDArray[np.float64]]:
    start = header.started_monotonic_ns
    return TickLine(tick0=start, t0_s=0.0, s_per_tick=1.0 / device.tick_hz).time_s


def _edges(device: DeviceHeader, blocks: NDArray[np.void], gaps: Iterable[Gap]) -> list[int]:
    """Indices of the blocks that begin a segment."""
    first = blocks["first_record"].astype(np.int64)
    named = [
        gap.before_record
        for gap in gaps
        if gap.device == device.name and gap.cause.restarts_count
    ]
    # A restart inside a block cannot be, the recorder cuts there; the next block is safe.
    edges = {0, *np.searchsorted(first, named, side="left").tolist()}
    ticks = blocks["tick_last"]
    back = ticks[1:] < ticks[:-1]
    ahead_s = (ticks[1:] - ticks[:-1]).view(np.int64) / device.tick_hz
    parted = np.abs(ahead_s - np.diff(blocks["received_s"])) > RESTART_S
    edges.update((np.flatnonzero(back | parted) + 1).tolist())
    return sorted(edge for edge in edges if edge < len(blocks))


def _tie(
    device: DeviceHeader, blocks: NDArray[np.void], stop_record: int
) -> tuple[Segment, Callable[[Ticks], NDArray[np.float64]] | None]:
    first = int(blocks["first_record"][0])
    ticks, received_s = blocks["tick_last"], blocks["received_s"]
    span_s = float(received_s[-1] - received_s[0])

    def kept(why: str) -> tuple[Segment, None]:
        segment = Segment(
            first_record=first,
            stop_record=stop_record,
            source="provisional",
            u_s=np.nan,
            drift_ppm=np.nan,
            why=why,
        )
        return segment, None

    if len(blocks) < LEAST_BLOCKS or span_s < LEAST_SPAN_S:
        return kept(f"{len(blocks)} blocks over {span_s:.1f} s are too few for a fit")
    chosen = _earliest(ticks, received_s, device.tick_hz)
    try:
        fit = fit_ticks(ticks[chosen], received_s[chosen], tick_hz=device.tick_hz)
    except ValueError as error:
        return kept(f"no fit: {error}")
    segment = Segment(
        first_record=first,
        stop_record=stop_record,
        source="fit",
        u_s=float(fit.u_s),
        drift_ppm=float(fit.drift_ppm),
    )
    return segment, fit.time_s


def _earliest(
    ticks: Ticks, received_s: NDArray[np.float64], tick_hz: float
) -> NDArray[np.int64]:
    """Indices of the points to fit: all, or the earliest arrival of each even chunk."""
    n = len(ticks)
    if n <= MOST_POINTS:
        return np.arange(n)
    late_s = received_s - (ticks - ticks[0]).view(np.int64) / tick_hz
    chunk = -(-n // MOST_POINTS)
    padded = np.full(-(-n // chunk) * chunk, np.inf)
    padded[:n] = late_s
    table = padded.reshape(-1, chunk)
    return np.asarray(np.arange(len(table)) * chunk + np.argmin(table, axis=1))
