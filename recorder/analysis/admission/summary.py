"""Admission summed up: how much was admitted, what refused the rest, what could not be asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.quantities.written import many
from recorder.analysis.stretches.admission_record import CriterionKind
from recorder.marks.handling import ThrottleMark
from recorder.marks.kinds import Kind
from recorder.marks.values import UnreadMark

if TYPE_CHECKING:
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.marks.mark import Mark

__all__ = ["AdmissionSummary", "CriterionCount", "sum_up", "words_not_understood"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionCount:
    """One criterion over all stretches."""

    kind: CriterionKind
    limit: str
    """As it was first asked."""
    refused: int
    refused_s: float
    unknown: int
    """Admitted stretches of which it could not be asked."""
    commonest: str
    """The commonest reason; empty when it refused nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AdmissionSummary:
    """All stretches of some runs."""

    stretches: int
    seconds: float
    admitted: int
    admitted_s: float
    criteria: tuple[CriterionCount, ...]
    """In the order they are asked."""

    @property
    def in_words(self) -> str:
        """One sentence."""
        return (
            f"{self.admitted} of {many(self.stretches, 'test section')}, {self.admitted_s:.0f} of"
            f" {self.seconds:.0f} s in motion, are admitted to judgement"
        )


def sum_up(results: Sequence[StretchResult]) -> AdmissionSummary:
    """Count what was asked of stretches of one or more runs."""
    good = [r for r in results if r.admission.admitted]
    return AdmissionSummary(
        stretches=len(results),
        seconds=sum(r.stretch.seconds for r in results),
        admitted=len(good),
        admitted_s=sum(r.stretch.seconds for r in good),
        criteria=tuple(_counted(kind, results) for kind in _kinds(results)),
    )


def words_not_understood(
    marks: Sequence[Mark], specification: Specification | None
) -> tuple[str, ...]:
    """Marks that bear on admission and were not understood, each value once, with its kind.

    Words for the throttle are understood when they give a share or a notch, or are among the
    settings of the specification.
    """
    out = []
    for mark in marks:
        value = mark.meaning
        unread = isinstance(value, UnreadMark)
        vague = (
            isinstance(value, ThrottleMark)
            and value.share is None
            and value.notch is None
            and not (specification is not None and specification.accepts(value))
        )
        if (unread or vague) and mark.kind in _BEARS and mark.value.strip():
            out.append(f"{Kind(mark.kind).value} “{mark.value}”")
    return tuple(dict.fromkeys(out))


_BEARS = frozenset({
    Kind.THROTTLE, Kind.CUTOFF, Kind.BRAKE, Kind.SAND, Kind.STEAM, Kind.WEATHER,
})  # fmt: skip


def _kinds(results: Sequence[StretchResult]) -> list[CriterionKind]:
    return list(dict.fromkeys(c.kind for r in results for c in r.admission.criteria))


def _counted(kind: CriterionKind, results: Sequence[StretchResult]) -> CriterionCount:
    asked = [(r, c) for r in results for c in r.admission.criteria if c.kind is kind]
    refused = [(r, c) for r, c in asked if c.refuses]
    reasons = [c.reason for _, c in refused]
    return CriterionCount(
        kind=kind,
        limit=asked[0][1].limit,
        refused=len(refused),
        refused_s=sum(r.stretch.seconds for r, _ in refused),
        unknown=sum(c.passed is None and r.admission.admitted for r, c in asked),
        commonest=max(dict.fromkeys(reasons), key=reasons.count) if reasons else "",
    )
