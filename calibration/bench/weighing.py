"""A reading made of what was gathered or typed, and all that stands against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Final

from calibration.bench.bench_reading import TakenReading
from calibration.bench.reading_checks import Finding, History, Point, examine, stuck
from calibration.readings.reading_doubts import Doubt

if TYPE_CHECKING:
    from calibration.bench.gathering import Gathered
    from calibration.bench.live_counts import LiveCounts
    from calibration.bench.pending_reading import PendingReading
    from calibration.bench.session_facts import SessionFacts

__all__ = ["draft_of", "read_by_eye", "weigh"]

_LATE_S: Final = 0.5
"""Of a wait: shorter by less is a feed that sends in blocks."""
_ZERO_MOVED: Final = 0.005
"""Of the capacity: a reference cell whose zero moves by more bears a force."""


def draft_of(
    gathered: Gathered, live: LiveCounts, taken: Sequence[TakenReading]
) -> tuple[TakenReading, list[Finding]]:
    """A reading from counts, and what the counts themselves say against it.

    Number, time and day are still to be filled in.
    """
    pending, cell, standard = gathered.pending, gathered.cell, gathered.standard
    applied, sd = pending.applied_kN, None
    if applied is None:
        assert standard is not None
        applied, sd = live.reference_mean(standard.mean)
    draft = replace(
        _blank(pending, applied),
        applied_sd_kN=sd,
        mean=cell.mean.mean,
        sd=cell.mean.sd,
        n=cell.mean.n,
        seconds=cell.mean.seconds,
        stable=cell.verdict.stable,
        stability=cell.verdict.reason,
        low=cell.mean.low,
        high=cell.mean.high,
        waited_s=gathered.waited_s,
        reference_counts=None if standard is None else standard.mean.mean,
        reference_zero_counts=None if standard is None else live.reference_zero,
        accepted_because=pending.hurried,
    )
    found = []
    if not cell.verdict.stable:
        found.append(Finding(Doubt.UNSTABLE, f"not stable: {cell.verdict.reason}", stops=True))
    if standard is not None and not standard.verdict.stable:
        words = f"the reference cell is not stable: {standard.verdict.reason}"
        found.append(Finding(Doubt.UNSTABLE, words, stops=True))
    if gathered.waited_s < pending.step.settle_s - _LATE_S:
        words = f"waited {gathered.waited_s:.0f} s of {pending.step.settle_s:g} s"
        # It took an explicit word with a reason to come here.
        found.append(Finding(Doubt.SHORT_WAIT, words, stops=False))
    return draft, [*found, *stuck(cell.mean, taken)]


def read_by_eye(pending: PendingReading, reading: float) -> TakenReading:
    """A reading typed from an indicator."""
    assert pending.applied_kN is not None
    draft = _blank(pending, pending.applied_kN)
    return replace(draft, mean=reading, stability="read by eye", n=1)


def _blank(pending: PendingReading, applied_kN: float) -> TakenReading:
    return TakenReading(
        number=0, step=pending.step.number, applied_kN=applied_kN,
        applied_by=pending.applied_by, applied_sd_kN=None, mean=0.0, sd=0.0, n=0, seconds=0.0,
        stable=False, stability="", temperature_C=pending.temperature_C, utc="", time_s=0.0,
        repeat_of=pending.repeat_of, reason=pending.reason,
    )  # fmt: skip


def weigh(
    draft: TakenReading,
    facts: SessionFacts,
    taken: Sequence[TakenReading],
    on: date,
) -> list[Finding]:
    """What stands against a reading by the plan, the readings so far and the day."""
    step = facts.plan[draft.step - 1]
    found = examine(step, draft, _history(draft, facts, taken))
    found += _reference_loaded(draft, facts, taken)
    if draft.applied_by == "plan" and not step.unloaded:
        words = f"the applied force is taken as planned ({step.applied_kN:g} kN), not measured"
        found.append(Finding(Doubt.AS_PLANNED, words, stops=False))
    if draft.n == 1:
        found.append(Finding(Doubt.BY_EYE, "read by eye", stops=False))
    words = standard_not_valid(facts, on)
    if words:
        found.append(Finding(Doubt.STANDARD_NOT_VALID, words, stops=True))
    return found


def _history(
    draft: TakenReading, facts: SessionFacts, taken: Sequence[TakenReading]
) -> History:
    valid = {r.step: r for r in taken if r.step != draft.step}
    return History(
        [
            Point(facts.plan[r.step - 1], r)
            for r in sorted(valid.values(), key=lambda r: r.number)
        ],
        last=taken[-1] if taken else None,
        element=facts.settings.element,
        capacity_kN=facts.capacity_kN,
    )


def _reference_loaded(
    draft: TakenReading, facts: SessionFacts, taken: Sequence[TakenReading]
) -> list[Finding]:
    """The reference cell reads a force where none should be."""
    zeros = [
        r.reference_counts
        for r in taken
        if r.reference_counts is not None and facts.plan[r.step - 1].unloaded
    ]
    counts, reference = draft.reference_counts, facts.reference
    unloaded = facts.plan[draft.step - 1].unloaded
    if reference is None or counts is None or not zeros or not unloaded:
        return []
    force = float(reference.to_force(counts, zero_counts=zeros[-1]))
    if abs(force) <= _ZERO_MOVED * facts.capacity_kN:
        return []
    words = f"the reference cell reads {force:.4g} kN above its last zero: not unloaded"
    return [Finding(Doubt.OFF_STEP, words, stops=True)]


def standard_not_valid(facts: SessionFacts, on: date) -> str:
    """Why the reference standard may not be used on a day, in words; empty when it may."""
    standard, reference = facts.settings.standard, facts.reference
    starts = [standard.calibrated, None if reference is None else reference.issued]
    ends = [standard.valid_until, None if reference is None else reference.expires]
    early = [day for day in starts if day is not None and on < day]
    late = [day for day in ends if day is not None and on > day]
    if early:
        return f"the reference standard's certificate begins on {max(early)}, today is {on}"
    if late:
        return f"the reference standard's certificate ended on {min(late)}, today is {on}"
    return ""
