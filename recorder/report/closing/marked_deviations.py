"""What the crew's own marks tell of a day that did not go as planned."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.marks.kinds import Kind
from recorder.report.particulars.keyed import mark_words

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.marks.mark import Mark
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["marked_deviations"]


def marked_deviations(
    loaded: LoadedRun, units: ShownUnits
) -> list[tuple[float, tuple[str, str, str]]]:
    """Run time, s, and row (time, what, the mark) of each mark that was put right, and of each
    slip and change of weather.
    """
    found = []
    weathers = 0
    for mark in loaded.marks:
        weathers += mark.kind is Kind.WEATHER
        what = _what(mark, changed=weathers > 1)
        if what:
            found.append((mark.t_s, (f"{mark.t_s:.0f}", what, mark_words(mark, units))))
    return found


def _what(mark: Mark, *, changed: bool) -> str:
    """Why a mark is a deviation; empty where it is none."""
    if mark.revision > 0:
        return "mark put right"
    if mark.kind is Kind.SLIP:
        return "wheel slip"
    return "weather changed" if mark.kind is Kind.WEATHER and changed else ""
