"""Device ticks tied to run time again, from the receipt times in the tables of blocks."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.parts.block import HEAD_DTYPE, times_of
from recorder.run_file.proof.parts.held import device_by_device
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.seal.final_times import final_times

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from recorder.run.parts.header import DeviceHeader
    from recorder.run.time.timeline import Segment
    from recorder.run_file.hdf5.store import Store
    from recorder.run_file.proof.parts.held import Held

__all__ = ["COVERAGE", "SAME_S", "held_to", "prove_ticks"]

SAME_S: Final = 1e-6
"""Times closer than this are the same: the sums of a fit differ from machine to machine by less,
and no tie of ticks is known as well."""
COVERAGE: Final = 2.0
"""Coverage factor: two ties of one record that differ by more standard uncertainties than this
contradict each other (about 95 %, GUM 6.2)."""


@dataclass
class _Tally:
    worst_s: float = 0.0
    worst_at: int = 0
    stored_s: float = 0.0
    made_s: float = 0.0
    gap: str = ""
    """The first gap whose instants are not those of its neighbours."""


def prove_ticks(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every device's stored times against its ticks tied again."""
    return device_by_device(held, _prove, progress)


def _prove(held: Held, device: DeviceHeader) -> Proof:
    if held.given(device):
        words = "its times came with its values: no ticks and receipts to tie them again"
        return _proof(device, State.NOT_PROVED, words)
    if not held.store.column(f"devices/{device.name}/time_s").n:
        return _proof(device, State.NOT_PROVED, "there is no record of it")
    made, stored = held.lines[device.name].segments, held.ties.get(device.name, ())
    tally = _compared(held, device)
    ties = _ties(stored, made)
    if tally.worst_s > SAME_S:
        limit_s = max(SAME_S, COVERAGE * _greatest_u(*stored, *made))
        within, how = held_to(tally.worst_s, limit_s, held.other_version)
        words = (
            f"record {tally.worst_at:,} is stored at {tally.stored_s:.6f} s; tied again from the"
            f" receipts it lies at {tally.made_s:.6f} s, {_length(tally.worst_s)} away{how}"
        )
        return _proof(device, State.NOT_PROVED if within else State.CONTRADICTED, words)
    if tally.gap:
        return _proof(device, State.CONTRADICTED, tally.gap)
    if ties:
        state = State.NOT_PROVED if held.other_version else State.CONTRADICTED
        return _proof(device, state, f"{ties}{_by_other(held)}")
    if not held.other_version and _told(stored) != _told(made):
        told = "; ".join(words for tie in made for words in tie.findings) or "nothing"
        words = f"what is told of its ticks is not what tying them again tells: {told}"
        return _proof(device, State.CONTRADICTED, words)
    kept = sum(tie.source.keeps_times for tie in made)
    how = f"; {kept} of {len(made)} stretches keep the lines of the recording" if kept else ""
    words = f"all times agree with the ticks and receipts within {_length(SAME_S)}{how}"
    words = "; ".join([words, *(told for tie in made for told in tie.findings)])
    return _proof(device, State.PROVED, words)


def _told(ties: Sequence[Segment]) -> list[list[str]]:
    """What is told of ties, less the figures, which may end otherwise on another machine."""
    return [[re.sub(r"[-+]?\d+(\.\d+)?", "#", words) for words in tie.findings] for tie in ties]


def _compared(held: Held, device: DeviceHeader) -> _Tally:
    tally = _Tally()
    line = held.lines[device.name]
    times = held.store.column(f"devices/{device.name}/time_s")
    recorded = None
    if any(tie.source.keeps_times for tie in line.segments):
        recorded = _Recorded(held.store, device).times
    gaps = sorted(held.gaps_of(device.name), key=lambda gap: gap.before_record)
    at = np.array([gap.before_record for gap in gaps], np.int64)
    for start, made in final_times(held.store, device, line, recorded):
        stop = start + len(made)
        stored = times.read(max(start - 1, 0), stop)
        # A time that is none is as far away as can be.
        away = np.nan_to_num(np.abs(stored[min(start, 1) :] - made), nan=np.inf)
        i = int(np.argmax(away))
        if away[i] > tally.worst_s:
            tally.worst_s, tally.worst_at = float(away[i]), start + i
            tally.stored_s, tally.made_s = float(stored[min(start, 1) + i]), float(made[i])
        low, high = np.searchsorted(at, [max(start, 1), stop])
        for gap in gaps[low:high]:
            k = gap.before_record - max(start - 1, 0)
            ends = (float(stored[k - 1]), float(stored[k]))
            if not tally.gap and not np.allclose(
                ends, (gap.t_start_s, gap.t_end_s), 0.0, SAME_S
            ):
                tally.gap = (
                    f"the gap before record {gap.before_record:,} is told from"
                    f" {gap.t_start_s:.6f} to {gap.t_end_s:.6f} s; the records on either side"
                    f" lie at {ends[0]:.6f} and {ends[1]:.6f} s"
                )
    return tally


class _Recorded:
    """The times of the recording: along the lines of the blocks, never backwards."""

    def __init__(self, store: Store, device: DeviceHeader) -> None:
        names = ("first_record", "n", "tick0", "t0_s", "s_per_tick")
        self._blocks = store.column(f"blocks/{device.name}").read_fields(names)
        self._latest_s = -np.inf

    def times(self, start: int, ticks: NDArray[np.uint64]) -> NDArray[np.float64]:
        """(n,) run times of the records from ``start`` on, s; chunks come in order."""
        first = self._blocks["first_record"].astype(np.int64)
        stop = start + len(ticks)
        low = max(int(np.searchsorted(first, start, side="right")) - 1, 0)
        high = int(np.searchsorted(first, stop, side="left"))
        rows = self._blocks[low:high]
        heads = np.zeros(len(rows), HEAD_DTYPE)
        for name in ("tick0", "t0_s", "s_per_tick"):
            heads[name] = rows[name]
        ends = np.minimum(first[low:high] + rows["n"], stop)
        heads["n"] = ends - np.maximum(first[low:high], start)
        time_s = times_of(heads, ticks)
        time_s[0] = max(time_s[0], self._latest_s)
        np.maximum.accumulate(time_s, out=time_s)
        self._latest_s = float(time_s[-1])
        return time_s


def _ties(stored: Sequence[Segment], made: Sequence[Segment]) -> str:
    """The first difference between the stretches stored and those made again."""
    if len(stored) != len(made):
        return f"{len(stored)} stretches of one tie are stored, {len(made)} are found again"
    for one, other in zip(stored, made, strict=True):
        where = f"the stretch from record {one.first_record:,}"
        extent = (one.first_record, one.stop_record, one.source)
        if extent != (other.first_record, other.stop_record, other.source):
            return (
                f"{where} is stored to record {one.stop_record:,} by {one.source}, found again"
                f" from {other.first_record:,} to {other.stop_record:,} by {other.source}"
            )
        if not np.isclose(one.u_s, other.u_s, rtol=1e-3, atol=SAME_S, equal_nan=True):
            return f"{where} states u = {one.u_s:.3g} s, tied again it is {other.u_s:.3g} s"
        if not np.isclose(one.drift_ppm, other.drift_ppm, rtol=1e-3, atol=1e-2, equal_nan=True):
            return (
                f"{where} states {one.drift_ppm:+.3f} ppm, tied again it is"
                f" {other.drift_ppm:+.3f} ppm"
            )
    return ""


def held_to(away_s: float, limit_s: float, other_version: str) -> tuple[bool, str]:
    """Whether a tie that differs may be that of another version, and what is said of it."""
    if not other_version:
        return False, ""
    within = away_s <= limit_s
    word = "within" if within else "beyond"
    return within, (
        f", {word} twice the uncertainty stated ({_length(limit_s)}); tied by {other_version}"
    )


def _greatest_u(*ties: Segment) -> float:
    known = [tie.u_s for tie in ties if np.isfinite(tie.u_s)]
    return max(known, default=0.0)


def _length(s: float) -> str:
    return f"{1e6 * s:.3g} µs" if s < 1e-3 else f"{s:.6g} s"


def _by_other(held: Held) -> str:
    return f" (tied by {held.other_version})" if held.other_version else ""


def _proof(device: DeviceHeader, state: State, words: str) -> Proof:
    return Proof(check=Check.TICKS, of=device.name, state=state, words=words)
