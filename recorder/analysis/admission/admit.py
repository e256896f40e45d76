"""Every stretch asked every question: admitted, or refused with the reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from recorder.analysis.stretches.admission_record import Admission, Criterion, CriterionKind
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["admit"]


def admit(
    run: RunBasis, results: Sequence[StretchResult], specification: Specification | None
) -> list[StretchResult]:
    """The stretches with what was asked of each."""
    if specification is None:
        return list(results)
    marked = any(m.kind is Kind.THROTTLE for m in run.marks)
    out = []
    for result in results:
        setting = result.stretch.setting
        throttle = Criterion(
            kind=CriterionKind.THROTTLE,
            value=setting.text or "not known",
            limit=specification.setting.text,
            passed=not marked or setting.agrees(specification.setting),
            reason=f"the throttle was at {setting.text or 'no known setting'}",
        )
        out.append(replace(result, admission=Admission(criteria=(throttle,))))
    return out
