"""What stands against a reading: nothing is believed that the readings before contradict.

The limits are from experience: wide enough for a sound cell on a press worked by hand, narrow
enough that a step taken for its neighbour is seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.readings.reading_doubts import Doubt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calibration.bench.bench_reading import TakenReading
    from calibration.bench.plan import PlanStep
    from calibration.bench.stability import WindowMean

__all__ = ["Finding", "History", "Point", "examine", "stuck"]

_FEW: Final = 20
"""Counts that must all be the same before they are called stuck."""
_FLICKER: Final = 2.0
"""Counts of standard deviation: no signal of such noise repeats a value for long."""
_SCATTER: Final = 0.2
"""Of how far a reading may be off: more scatter of single counts is no standing signal."""
_STEP_SHARE: Final = 0.05
_STEP_FLOOR: Final = 0.005
"""How far the applied force may be off the step's: of it, and of the capacity."""
_NEAR: Final = 0.01
"""Of the capacity: two forces so near are the same step's."""
_MOVED_SHARE: Final = 0.05
"""Counts that moved by less of what the change of force asks for did not move."""
_LIMITS: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "strain-gauged cell": (0.02, 0.005),
        "strain-gauged coupler": (0.03, 0.01),
        "capsule": (0.05, 0.02),
        "draft spring": (0.10, 0.05),
    }
)
"""By element: how far a reading may be off the earlier ones', of it and of full scale."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that stands against a reading."""

    doubt: Doubt
    words: str
    stops: bool
    """Whether the reading is held back until somebody accepts it with a reason."""


@dataclass(frozen=True, slots=True)
class Point:
    """A reading that counts, with its step."""

    step: PlanStep
    reading: TakenReading


class History:
    """The readings so far: what they say a force should read.

    ``points`` are the readings that count, in the order taken, without that of the step at
    hand; ``last`` is the last one taken, whatever it was.
    """

    def __init__(
        self,
        points: Sequence[Point],
        *,
        last: TakenReading | None,
        element: str,
        capacity_kN: float,
    ) -> None:
        self.points, self.last = points, last
        self.capacity_kN = capacity_kN
        self._share, self._floor = _LIMITS[element]
        self._by_level = element == "draft spring"
        zeros = [p.reading for p in points if p.step.unloaded]
        self.zero = zeros[-1].mean if zeros else None
        self._loaded = [p for p in points if not p.step.unloaded and _believed(p.reading)]

    def counts_per_kN(self, step: PlanStep, force_kN: float) -> float | None:
        """Deflection over force near a force; None while nothing is known of it."""
        if self.zero is None:
            return None
        near = [p for p in self._loaded if p.reading.applied_kN * force_kN > 0.0]
        if self._by_level:
            near = [p for p in near if _same_level(p.step, step)]
        elif not near:
            near = self._loaded
        if not near:
            return None
        zero = self.zero
        size = np.array([abs(p.reading.applied_kN) for p in near])
        ratio = np.array([(p.reading.mean - zero) / p.reading.applied_kN for p in near])
        levels = np.unique(np.round(size / self.capacity_kN, 2))
        mean = [
            float(np.median(ratio[np.round(size / self.capacity_kN, 2) == level]))
            for level in levels
        ]
        return float(np.interp(abs(force_kN) / self.capacity_kN, levels, mean))

    def limit_counts(self, ratio: float, force_kN: float) -> float:
        """How far a reading may be off: half as far at a force that was read before."""
        share = self._share * abs(force_kN) + self._floor * self.capacity_kN
        near_kN = _NEAR * self.capacity_kN
        read = any(abs(p.reading.applied_kN - force_kN) <= near_kN for p in self._loaded)
        return abs(ratio) * share * (0.5 if read else 1.0)

    def any_ratio(self) -> float | None:
        """Deflection over force of the largest force so far; None without one."""
        if self.zero is None or not self._loaded:
            return None
        top = max(self._loaded, key=lambda p: abs(p.reading.applied_kN)).reading
        return (top.mean - self.zero) / top.applied_kN


def _believed(reading: TakenReading) -> bool:
    return not {Doubt.OTHER_FORCE, Doubt.UNMOVED, Doubt.OFF_STEP} & set(reading.doubts)


def _same_level(one: PlanStep, other: PlanStep) -> bool:
    return (one.applied_kN, one.direction) == (other.applied_kN, other.direction)


def examine(step: PlanStep, draft: TakenReading, history: History) -> list[Finding]:
    """What the readings so far, the step and the counts say against a reading, worst first."""
    found = [
        *_unmoved(step, draft, history),
        *_wrong_sign(step, draft, history),
        *_other_force(step, draft, history),
        *_out_of_order(step, draft, history),
    ]
    # One fault is told once: a cable off is also out of order.
    return [*found[:1], *_off_step(step, draft, history), *_scatter(draft, history)]


def _unmoved(step: PlanStep, draft: TakenReading, history: History) -> list[Finding]:
    before = history.last
    if before is None:
        return []
    change = draft.applied_kN - before.applied_kN
    if abs(change) < 0.01 * history.capacity_kN:
        return []
    moved, ratio = abs(draft.mean - before.mean), history.any_ratio()
    if ratio is not None:
        still = moved < _MOVED_SHARE * abs(ratio * change)
    elif min(draft.n, before.n) < _FEW:
        still = moved == 0.0
    else:
        still = moved <= max(5.0, 5.0 * max(draft.sd, before.sd))
    if not still:
        return []
    words = (
        f"the counts stand at {draft.mean:.10g} as in reading {before.number} although the plan"
        f" changes the force from {before.applied_kN:g} to {step.applied_kN:g} kN: cable off,"
        " wrong channel, or the force not applied"
    )
    return [Finding(Doubt.UNMOVED, words, stops=True)]


def _wrong_sign(step: PlanStep, draft: TakenReading, history: History) -> list[Finding]:
    if step.unloaded or history.zero is None:
        return []
    deflection = draft.mean - history.zero
    ratio = history.any_ratio()
    way = deflection * draft.applied_kN * (1.0 if ratio is None else ratio)
    small = ratio is not None and abs(deflection) < history.limit_counts(ratio, 0.0)
    if way >= 0.0 or small:
        return []
    sense = "tension" if step.applied_kN > 0.0 else "compression"
    words = f"the counts go {'down' if deflection < 0.0 else 'up'} under {sense}"
    if ratio is not None:
        words += ", against the readings before"
    words += ": the press works the other way, or the cell is wired the other way"
    return [Finding(Doubt.WRONG_SIGN, words, stops=True)]


def _other_force(step: PlanStep, draft: TakenReading, history: History) -> list[Finding]:
    zero = history.zero
    if zero is None:
        return []
    force = draft.applied_kN
    ratio = history.any_ratio() if step.unloaded else history.counts_per_kN(step, force)
    if ratio is None:
        return []
    off = (draft.mean - zero) - ratio * force
    if abs(off) <= history.limit_counts(ratio, force):
        return []
    cell_kN = (draft.mean - zero) / ratio
    words = (
        f"the cell reads {cell_kN:.4g} kN by the readings before, not {force:.4g} kN: another"
        " force, a slip of the pen, or a reading before that was wrong"
    )
    return [Finding(Doubt.OTHER_FORCE, words, stops=True)]


def _out_of_order(step: PlanStep, draft: TakenReading, history: History) -> list[Finding]:
    ratio = history.any_ratio()
    if ratio is None or step.kind not in ("step", "zero"):
        return []
    inside = sorted(
        (
            p
            for p in history.points
            if p.step.series == step.series and p.step.kind in ("step", "zero")
        ),
        key=lambda p: p.step.number,
    )
    before = [p for p in inside if p.step.number < step.number]
    after = [p for p in inside if p.step.number > step.number]
    for other in (*before[-1:], *after[:1]):
        planned = step.applied_kN - other.step.applied_kN
        if planned == 0.0 or (draft.mean - other.reading.mean) * planned * ratio > 0.0:
            continue
        more = abs(step.applied_kN) > abs(other.step.applied_kN)
        words = (
            f"the cell reads no {'more' if more else 'less'} than at step {other.step.number},"
            f" where the force is {'lower' if more else 'higher'}"
            f" ({other.step.applied_kN:g} kN)"
        )
        return [Finding(Doubt.OUT_OF_ORDER, words, stops=True)]
    return []


def _off_step(step: PlanStep, draft: TakenReading, history: History) -> list[Finding]:
    limit = _STEP_SHARE * abs(step.applied_kN) + _STEP_FLOOR * history.capacity_kN
    if abs(draft.applied_kN - step.applied_kN) <= limit:
        return []
    words = (
        f"the applied force is {draft.applied_kN:.4g} kN ({draft.applied_by}), the step's"
        f" {step.applied_kN:g} kN"
    )
    return [Finding(Doubt.OFF_STEP, words, stops=True)]


def _scatter(draft: TakenReading, history: History) -> list[Finding]:
    """Counts that scatter, jump or drift, whatever limits of stability were stated."""
    ratio = history.any_ratio()
    if ratio is None or Doubt.UNSTABLE in draft.doubts:
        return []
    largest = _SCATTER * history.limit_counts(ratio, 0.0)
    if draft.sd <= largest:
        return []
    words = (
        f"the counts scatter by {draft.sd:.0f} within the reading, more than {largest:.0f}"
        " whatever limits are stated"
    )
    return [Finding(Doubt.UNSTABLE, words, stops=True)]


def stuck(mean: WindowMean, taken: Sequence[TakenReading]) -> list[Finding]:
    """Counts that stood at one value for half of the reading or more.

    A coarse signal is always still and is only said to be; one that flickered in an earlier
    reading has stopped.
    """
    if mean.longest_run < max(_FEW, 0.5 * mean.n):
        return []
    stops = any(r.n >= _FEW and r.sd >= _FLICKER for r in taken)
    words = f"{mean.longest_run} of {mean.n} counts on end are the same: a coarse signal, or a"
    return [Finding(Doubt.STUCK, f"{words} stuck one", stops=stops)]
