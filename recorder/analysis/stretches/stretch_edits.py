"""The crew's word on stretches: struck out or added, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.stretches.handling import setting_at, throttle_words
from recorder.analysis.stretches.stretch import Stretch, StretchSource

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.analysis.series.series import Series
    from recorder.marks.mark import Mark

__all__ = ["EditAction", "StretchEdit", "apply_edits"]


class EditAction(StrEnum):
    """As the table of edits and results.json write it."""

    STRIKE = "strike"
    ADD = "add"


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchEdit:
    """One edit: what overlaps is struck out, or one stretch is added."""

    action: EditAction
    t_start_s: float
    t_end_s: float
    reason: str
    run: str = ""
    """Name of the run it is for; empty when there is only one."""


def apply_edits(
    series: Series,
    marks: Sequence[Mark],
    stretches: Sequence[Stretch],
    edits: Sequence[StretchEdit],
) -> list[Stretch]:
    """Strike and add stretches as the crew wants; later edits act on earlier ones.

    What is struck stays in the list with the reason. Stretches that an added one overlaps are
    struck, too: one piece of line must not count twice.

    Raises
    ------
    ValueError
        An edit without a reason, or one that adds a stretch outside the run.
    """
    kept = list(stretches)
    for edit in edits:
        if not edit.reason.strip():
            msg = f"edit of a test section at {edit.t_start_s:.1f} s: reason is empty; say why"
            raise ValueError(msg)
        adds = edit.action is EditAction.ADD
        why = "the crew's own test section covers it" if adds else edit.reason
        kept = [_struck(s, why) if _meets(s, edit) else s for s in kept]
        if adds:
            kept.append(_by_crew(series, marks, edit))
    return sorted(kept, key=lambda s: s.start)


def _meets(stretch: Stretch, edit: StretchEdit) -> bool:
    return stretch.t_end_s > edit.t_start_s and stretch.t_start_s < edit.t_end_s


def _struck(stretch: Stretch, why: str) -> Stretch:
    return stretch if stretch.struck else replace(stretch, struck=why)


def _by_crew(series: Series, marks: Sequence[Mark], edit: StretchEdit) -> Stretch:
    start = int(np.searchsorted(series.t_s, edit.t_start_s))
    stop = int(np.searchsorted(series.t_s, edit.t_end_s))
    half = series.step_s / 2
    if stop - start < 2:
        msg = f"test section {edit.t_start_s:.1f}-{edit.t_end_s:.1f} s lies outside the run's data"
        raise ValueError(msg)
    return Stretch(
        start=start,
        stop=stop,
        t_start_s=max(edit.t_start_s, float(series.t_s[start]) - half),
        t_end_s=min(edit.t_end_s, float(series.t_s[stop - 1]) + half),
        setting=setting_at(throttle_words(marks), edit.t_start_s),
        source=StretchSource.CREW,
        reason=edit.reason,
    )
