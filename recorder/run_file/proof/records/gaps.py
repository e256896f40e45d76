"""Counts against gaps: every hole in ticks and sequence is told by a gap, every loss is a hole.

A device with an even clock shows what is missing by its ticks; one that numbers its frames, by
the numbers too. A device with neither (sentences of a receiver) cannot be checked so.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.written import many
from recorder.run.parts.gap import Cause
from recorder.run_file.proof.parts.held import device_by_device
from recorder.run_file.proof.parts.proof import Check, Proof, State, first_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import DeviceHeader
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_gaps"]

CHUNK: Final = 500_000
"""Records worked on at once: bounds the memory, whatever the length of the run."""
MOST_UNEVEN: Final = 0.01
"""Share of steps off the usual one above which a clock is not even; a link that loses more than
one record in a hundred all along is found by its gaps (from experience)."""
MOST_HOLES: Final = 100_000
"""Holes of one kind kept in hand; of a run with more the rest is not looked at, and told so."""
TELLS_OF_EVERY_STEP: Final = frozenset({"load-cell-frames"})
"""Drivers of devices that sample at exactly even steps, and tell of every step off them."""
SLACK: Final = 0.01
"""Of a long hole: the drivers place a frame by its tick within so much of where it should be."""


@dataclass
class _Seen:
    """What ticks and sequence of one device show."""

    n: int = 0
    host_clock: bool = False
    even: bool = True
    numbered: bool = False
    holes: dict[int, int] = field(default_factory=dict)
    """Record after the hole → records missing by the ticks."""
    turns: dict[int, int] = field(default_factory=dict)
    """Record after a break of the numbers → records missing by them, less whole turns."""
    shifts: dict[int, int] = field(default_factory=dict)
    """Record → ticks off the even steps, where nothing is missing and every step counts."""
    back: set[int] = field(default_factory=set)
    """Records whose tick does not go on from the one before."""
    modulus: int = 0

    @property
    def full(self) -> bool:
        """Whether there may be holes that are not kept."""
        kept = len(self.holes) + len(self.back), len(self.turns), len(self.shifts)
        return max(kept) >= MOST_HOLES


def prove_gaps(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every device's records against its gaps; memory bounded by chunks."""
    return device_by_device(held, _prove, progress)


def _prove(held: Held, device: DeviceHeader) -> Proof:
    gaps = held.gaps_of(device.name)
    if held.given(device):
        words = (
            "its records came as a table, with times and without counts of a device: nothing"
            " shows whether rows are missing"
        )
        return _proof(device, State.NOT_PROVED, words)
    seen = _look(held, device)
    if seen.n < 2:
        return _proof(
            device, State.NOT_PROVED, f"no step of its clock shows in {many(seen.n, 'record')}"
        )
    wrong = list(_contradictions(device, seen, gaps, _frame_of(held, device)))
    if wrong:
        return _proof(device, State.CONTRADICTED, first_of(wrong))
    lost = sum(gap.lost_records for gap in gaps)
    said = (
        f"{many(seen.n, 'record')}, {many(len(gaps), 'gap')} with {many(lost, 'lost record')}"
    )
    if seen.full:
        words = f"{said}: it has more holes than are kept in hand, {MOST_HOLES:,} of one kind"
        return _proof(device, State.NOT_PROVED, words)
    if seen.even or seen.numbered:
        by = " and ".join(
            [*(["ticks"] if seen.even else []), *(["sequence"] if seen.numbered else [])]
        )
        words = f"{said}: every hole in {by} has its gap, and every loss is a hole"
        if not seen.even:
            words += f" (one of a whole turn of {seen.modulus} records would not show)"
        return _proof(device, State.PROVED, words)
    words = (
        f"{said}; it neither numbers its records nor sends them at even steps, so a missing one"
        " leaves no hole"
    )
    return _proof(device, State.NOT_PROVED, words)


def _look(held: Held, device: DeviceHeader) -> _Seen:
    path = f"devices/{device.name}"
    ticks = held.store.column(f"{path}/tick")
    kind = device.record_dtype
    numbered = "sequence" in (kind.names or ()) and kind["sequence"].kind == "u"
    numbers = held.store.column(f"{path}/raw_sequence") if numbered else None
    seen = _Seen(n=ticks.n, host_clock=device.host_clock, numbered=numbered)
    if numbered:
        seen.modulus = 2 ** (8 * kind["sequence"].itemsize)
    usual = _usual_step_of(_steps(ticks.read(0, CHUNK)))
    uneven = 0
    for start in range(0, max(seen.n - 1, 0), CHUNK):
        stop = min(start + CHUNK + 1, seen.n)
        steps = _steps(ticks.read(start, stop))
        here = _usual_step_of(steps) or usual
        uneven += _take_steps(seen, steps, here, start + 1)
        if device.driver in TELLS_OF_EVERY_STEP:
            _take_shifts(seen, steps, here, start + 1)
        if numbers is not None:
            _take_numbers(seen, numbers.read(start, stop), start + 1)
    # Receipt at this computer is no clock of the device: a sentence may be late, or left out.
    seen.even = not device.host_clock and uneven <= MOST_UNEVEN * (seen.n - 1)
    if len(seen.shifts) > MOST_UNEVEN * (seen.n - 1):
        seen.shifts.clear()
    return seen


def _steps(ticks: NDArray[np.uint64]) -> NDArray[np.int64]:
    return (ticks[1:] - ticks[:-1]).view(np.int64)


def _usual_step_of(steps: NDArray[np.int64]) -> float:
    return float(np.median(steps)) if len(steps) else 0.0


def _take_steps(seen: _Seen, steps: NDArray[np.int64], usual: float, first: int) -> int:
    """Keep the holes among some steps; how many are not the usual step."""
    if usual <= 0.0:
        seen.back.update((np.flatnonzero(steps < 0) + first).tolist()[:MOST_HOLES])
        return len(steps)
    # Sentences that one read brought have one tick, that of the read.
    least = 0 if seen.host_clock else 1
    whole = np.rint(steps / usual)
    odd = np.flatnonzero(whole != 1.0)
    for i in odd[: max(MOST_HOLES - len(seen.holes) - len(seen.back), 0)].tolist():
        if steps[i] < least:
            seen.back.add(first + i)
        elif whole[i] >= 2.0:
            seen.holes[first + i] = int(whole[i]) - 1
    return len(odd)


def _take_shifts(seen: _Seen, steps: NDArray[np.int64], usual: float, first: int) -> None:
    """Keep the steps that are off the even ones by less than a record."""
    for i in np.flatnonzero(steps != usual)[: max(MOST_HOLES - len(seen.shifts), 0)].tolist():
        if first + i not in seen.holes and steps[i] > 0:
            seen.shifts[first + i] = round(float(steps[i] - usual))


def _take_numbers(seen: _Seen, numbers: NDArray[np.unsignedinteger], first: int) -> None:
    wide = numbers.astype(np.int64)
    missing = (wide[1:] - wide[:-1] - 1) % seen.modulus
    for i in np.flatnonzero(missing)[: max(MOST_HOLES - len(seen.turns), 0)].tolist():
        seen.turns[first + i] = int(missing[i])


def _frame_of(held: Held, device: DeviceHeader) -> int:
    """Records that come and go together: the largest number that divides all whole blocks."""
    n = held.store.column(f"blocks/{device.name}").read_fields(["n"])["n"]
    # The first block may be cut where the run begins.
    return int(np.gcd.reduce(n[1:].astype(np.int64))) if len(n) > 1 else 1


def _contradictions(
    device: DeviceHeader, seen: _Seen, gaps: list[Gap], frame: int
) -> Iterator[str]:
    at: dict[int, list[Gap]] = {}
    for gap in gaps:
        at.setdefault(gap.before_record, []).append(gap)
    breaks = set(seen.turns) | seen.back
    if seen.even:
        breaks |= set(seen.holes) | set(seen.shifts)
    for record in sorted(breaks):
        if record not in at:
            yield _untold(seen, record)
    for record, held in sorted(at.items()):
        if any(gap.cause.restarts_count for gap in held) or not 0 < record < seen.n:
            # Nothing is reckoned across a restart; before the first and after the last
            # record there is nothing to measure a hole by.
            continue
        if why := _unlike(seen, record, held, frame):
            yield f"before record {record:,} of {device.name}: {why}"


def _untold(seen: _Seen, record: int) -> str:
    if record in seen.back:
        what = "its ticks do not go on"
    elif record in seen.holes:
        what = f"{many(seen.holes[record], 'record')} missing by its ticks"
    elif record in seen.shifts:
        what = f"its tick is {seen.shifts[record]:+,} off the even steps"
    else:
        what = f"{many(seen.turns[record], 'record')} missing by its sequence"
    return f"before record {record:,}: {what}, and no gap tells of it"


def _unlike(seen: _Seen, record: int, gaps: list[Gap], frame: int) -> str:
    """How the losses told of do not fit the hole; empty: they do, or nothing can be said."""
    lost = sum(gap.lost_records for gap in gaps)
    if not lost:
        return ""
    told = f"{many(lost, 'record')} told lost ({', '.join(sorted({g.cause for g in gaps}))})"
    # Frames that were refused are counted as they come, and again when the next good one
    # shows by its number how many were missing.
    again = sum(gap.lost_records for gap in gaps if gap.cause is Cause.REFUSED)
    if seen.even:
        missing = seen.holes.get(record, 0)
        slack = max(frame, round(SLACK * missing)) if missing else 0
        if not any(abs(missing - n) <= slack for n in (lost, lost - again) if n or missing):
            found = f"{missing:,} missing" if missing else "they go on without a hole"
            return f"{told}, and by its ticks {found}"
    if seen.numbered:
        missing = seen.turns.get(record, 0)
        if missing not in {n % seen.modulus for n in (lost, lost - again)}:
            return f"{told}, and by its sequence {missing} missing or whole turns more"
    return ""


def _proof(device: DeviceHeader, state: State, words: str) -> Proof:
    return Proof(check=Check.GAPS, of=device.name, state=state, words=words)
