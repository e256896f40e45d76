"""Device ticks to run time, worked out afterwards with all receipt times in hand.

A device that starts anew begins a new segment. A segment that is too short for a fit keeps the
lines it was recorded with, and says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TypeAlias

import numpy as np

from calibration.clock.held_up import gross_slope
from calibration.clock.pace import OSCILLATOR, fast_by
from calibration.clock.tick_line import TickLine
from calibration.clock.ticks_to_run_time import U_LATENCY_S, TickFit, fit_ticks
from recorder.sheets import TimingSheet

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import DeviceHeader, RunHeader

    Ticks: TypeAlias = NDArray[np.uint64]

__all__ = ["Segment", "TieSource", "Timeline", "as_given", "impossible_ticks", "tie_ticks"]

UNSTATED: Final = TimingSheet()
STATED: Final = (
    "where feeds are fast or slow on purpose the car sheet says so: [recording] simulated_speed"
)
NOT_KEPT: Final = "the feed did not keep the speed that the car sheet states"
LEAST_BLOCKS: Final = 20
"""A line through the earliest arrivals needs some that were not held up."""
LEAST_SPAN_S: Final = 5.0
"""Arrivals late by 5 ms over a shorter span bend the line by more than oscillators differ (1 000
ppm is beyond any crystal)."""
NO_CLOCK: Final = 0.07
"""A clock further off is not one that only runs fast or slow: time was simulated, or its tick rate
is not what it says."""
LEAST_SEEN: Final = 4
SEEN_S: Final = 1.0
RESTART_S: Final = 60.0
"""Ticks and receipt times that part by more than this between two blocks: a restart. A stalled
host delays receipts by seconds, and a 32-bit tick at 1 MHz wraps after 71 min. What an oscillator
may be off over a long silence is added."""


class TieSource(StrEnum):
    """Where the times of a stretch come from. Run files hold these words."""

    FIT = "fit"
    PROVISIONAL = "provisional"
    """The lines of the recording: too little came for a fit."""
    HOST_CLOCK = "host clock"
    """The ticks are the computer's own."""
    SIMULATED = "simulated"
    """Time was simulated and unpaced: by the device's own ticks alone."""
    GIVEN = "given"
    """They came with the values."""

    @property
    def keeps_times(self) -> bool:
        """Whether the times stand as they were recorded, or came."""
        return self in (TieSource.PROVISIONAL, TieSource.GIVEN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of records with one tie."""

    first_record: int
    stop_record: int
    source: TieSource
    u_s: float
    """Standard uncertainty of the times; NaN when not known."""
    drift_ppm: float
    u_drift_ppm: float = math.nan
    why: str = ""
    findings: tuple[str, ...] = ()
    """What must be told of the tie, in words; empty when all is as usual."""

    def to_dict(self) -> dict[str, Any]:
        """Plain data for the file; NaN as None."""
        row = asdict(self)
        for name in ("u_s", "drift_ppm", "u_drift_ppm"):
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
        u_s, drift_ppm, u_drift = row["u_s"], row["drift_ppm"], row.get("u_drift_ppm")
        return cls(
            first_record=int(row["first_record"]),
            stop_record=int(row["stop_record"]),
            source=TieSource(row["source"]),
            u_s=np.nan if u_s is None else float(u_s),
            drift_ppm=np.nan if drift_ppm is None else float(drift_ppm),
            u_drift_ppm=np.nan if u_drift is None else float(u_drift),
            why=str(row.get("why", "")),
            findings=tuple(str(words) for words in row.get("findings", ())),
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
    whole = Segment(
        first_record=0, stop_record=n, source=TieSource.GIVEN, u_s=np.nan, drift_ppm=np.nan
    )
    return Timeline((whole,), (None,))


def tie_ticks(
    device: DeviceHeader,
    header: RunHeader,
    blocks: NDArray[np.void],
    gaps: Iterable[Gap],
    *,
    timing: TimingSheet = UNSTATED,
    resolution_s: float = 0.0,
) -> Timeline:
    """Tie one device's ticks to run time.

    Parameters
    ----------
    blocks : (b,) with ``first_record``, ``n``, ``received_s``, ``tick_last``, in order
    gaps
        Of this run; a restart of this device begins a new segment.
    timing
        What the car sheet states of the device's latency.
    resolution_s
        Step of the clock that receipts were read from.
    """
    if not len(blocks):
        return Timeline((), ())
    n = int(blocks["first_record"][-1]) + int(blocks["n"][-1])
    if device.host_clock:
        whole = Segment(
            first_record=0,
            stop_record=n,
            source=TieSource.HOST_CLOCK,
            u_s=resolution_s,
            drift_ppm=0.0,
        )
        return Timeline((whole,), (_host_line(header, device),))
    edges = _edges(device, blocks, gaps)
    segments, lines = [], []
    for low, high in zip(edges, [*edges[1:], len(blocks)], strict=True):
        stop = int(blocks["first_record"][high]) if high < len(blocks) else n
        instead = STATED if header.simulated_speed is None else NOT_KEPT
        held = _Held(device, blocks[low:high], stop, timing, resolution_s, instead)
        segment, line = _nominal(held) if header.simulated_speed == 0.0 else _tie(held)
        segments.append(segment)
        lines.append(line)
    return Timeline(tuple(segments), tuple(lines))


def _host_line(
    header: RunHeader, device: DeviceHeader
) -> Callable[[Ticks], NDArray[np.float64]]:
    clock = header.clock
    per_tick = clock.speed / device.tick_hz
    return TickLine(tick0=clock.start_ns, t0_s=0.0, s_per_tick=per_tick).time_s


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
    waited_s = np.diff(blocks["received_s"])
    parted = np.abs(ahead_s - waited_s) > RESTART_S + OSCILLATOR * np.abs(waited_s)
    edges.update((np.flatnonzero(back | parted) + 1).tolist())
    return sorted(edge for edge in edges if edge < len(blocks))


class _Held(NamedTuple):
    """One start of a device."""

    device: DeviceHeader
    blocks: NDArray[np.void]
    stop_record: int
    timing: TimingSheet
    resolution_s: float
    instead: str
    """What may be behind ticks that contradict the computer's clock."""


def _segment(
    held: _Held, source: TieSource, why: str = "", fit: TickFit | None = None, found: str = ""
) -> Segment:
    told = () if fit is None else fit.findings
    return Segment(
        first_record=int(held.blocks["first_record"][0]),
        stop_record=held.stop_record,
        source=source,
        u_s=math.nan if fit is None else float(fit.u_s),
        drift_ppm=math.nan if fit is None else float(fit.drift_ppm),
        u_drift_ppm=math.nan if fit is None else float(fit.u_drift_ppm),
        why=why,
        findings=(found, *told) if found else told,
    )


def impossible_ticks(tie: Segment) -> tuple[str, ...]:
    """In words, why no clock of the computer can have kept the ticks of a tie; empty when one can.

    A file so timed is not sound.
    """
    if not abs(tie.drift_ppm) > 1e6 * NO_CLOCK:
        return ()
    return tie.findings[:1] or ("its ticks contradict the computer's clock",)


def _contradiction(held: _Held, drift_ppm: float) -> str:
    """In words, where ticks and the computer's clock cannot both be right; else empty."""
    if not abs(drift_ppm) > 1e6 * NO_CLOCK:
        return ""
    return (
        f"its ticks contradict the computer's clock: {1.0 + drift_ppm / 1e6:.4g} of its seconds"
        f" in one of the computer's; {held.instead}"
    )


def _provisional(held: _Held, why: str) -> Segment:
    """Too little for a fit; a rate that is beside all reason shows all the same."""
    ticks, received_s = held.blocks["tick_last"], held.blocks["received_s"]
    drift_ppm = math.nan
    if len(ticks) >= LEAST_SEEN and received_s[-1] - received_s[0] >= SEEN_S:
        nominal_s = (ticks - ticks[0]).view(np.int64) / held.device.tick_hz
        if nominal_s[-1] > 0.0:
            drift_ppm = 1e6 * fast_by(gross_slope(nominal_s, received_s - nominal_s))
    found = _contradiction(held, drift_ppm)
    segment = _segment(held, TieSource.PROVISIONAL, why)
    return replace(segment, drift_ppm=drift_ppm, findings=(found,)) if found else segment


def _nominal(held: _Held) -> tuple[Segment, Callable[[Ticks], NDArray[np.float64]]]:
    """Time was simulated and unpaced: ticks as they say they are, from the first block on."""
    first = held.blocks[0]
    line = TickLine(
        int(first["tick_last"]), float(first["received_s"]), 1.0 / held.device.tick_hz
    )
    why = "time was simulated, as fast as it went: by the device's own ticks alone"
    return _segment(held, TieSource.SIMULATED, why), line.time_s


def _tie(held: _Held) -> tuple[Segment, Callable[[Ticks], NDArray[np.float64]] | None]:
    blocks, device, timing = held.blocks, held.device, held.timing
    ticks, received_s = blocks["tick_last"], blocks["received_s"]
    span_s = float(received_s[-1] - received_s[0])
    if len(blocks) < LEAST_BLOCKS or span_s < LEAST_SPAN_S:
        why = f"{len(blocks)} blocks over {span_s:.1f} s are too few for a fit"
        return _provisional(held, why), None
    stated = timing.latency_s is not None and timing.u_latency_s is not None
    try:
        fit = fit_ticks(
            ticks,
            received_s,
            tick_hz=device.tick_hz,
            latency_s=(timing.latency_s or 0.0) if stated else 0.0,
            u_latency_s=(timing.u_latency_s or 0.0) if stated else U_LATENCY_S,
            resolution_s=held.resolution_s,
        )
    except ValueError as error:
        return _provisional(held, f"no fit: {error}"), None
    found = _contradiction(held, float(fit.drift_ppm))
    return _segment(held, TieSource.FIT, fit=fit, found=found), fit.time_s
