"""What was done with throttle, cut-off, sand and brake along the run, as marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.marked import brake_changes
from recorder.analysis.series.run_series import AT_REST_M_S
from recorder.analysis.series.wheel_jumps import LOCKED
from recorder.marks.handling import ThrottleMark
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.marks.mark import Mark

__all__ = ["ThrottleWord", "brake_on", "changes_s", "setting_at", "throttle_words"]

RELEASE_S: Final = 20.0
"""From a release mark until the brakes of a long train are off; from experience."""
_UNMARKED: Final = ThrottleMark()


@dataclass(frozen=True, slots=True)
class ThrottleWord:
    """One throttle mark."""

    t_s: float
    setting: ThrottleMark


def throttle_words(marks: Sequence[Mark]) -> list[ThrottleWord]:
    """Every throttle mark in order of time.

    A mark that does not read gives its words: they are shown, and agree with no setting.
    """
    out = []
    for mark in sorted(marks, key=lambda m: m.t_s):
        if mark.kind is Kind.THROTTLE:
            value = mark.meaning
            held = value if isinstance(value, ThrottleMark) else ThrottleMark(words=mark.value)
            out.append(ThrottleWord(mark.t_s, held))
    return out


def setting_at(words: Sequence[ThrottleWord], t_s: float) -> ThrottleMark:
    """The throttle setting last marked at or before ``t_s``; bare when none."""
    held = _UNMARKED
    for word in words:
        if word.t_s > t_s:
            break
        held = word.setting
    return held


def changes_s(marks: Sequence[Mark]) -> list[float]:
    """Run times at which throttle, cut-off or sand changed: a setting keyed again is none."""
    out = []
    for kind in (Kind.THROTTLE, Kind.CUTOFF, Kind.SAND):
        before: str | None = None
        for mark in sorted(marks, key=lambda m: m.t_s):
            if mark.kind is kind and (mark.value != before or not mark.value):
                out.append(mark.t_s)
                before = mark.value
    return sorted(out)


def brake_on(series: Series, marks: Sequence[Mark]) -> NDArray[np.bool_]:
    """Bins in which the brake was marked as on: to its settled release, or to rest."""
    on = np.zeros(len(series), bool)
    since = np.inf
    for t_s, released in brake_changes(marks):
        if released:
            on |= (series.t_s >= since) & (series.t_s < t_s + RELEASE_S)
            # The mark may be the first: then the brake was on before the run.
            on |= (series.t_s >= t_s) & (series.t_s < t_s + RELEASE_S)
            since = np.inf
        else:
            since = min(since, t_s)
    if since < np.inf:
        stands = (np.abs(series.speed_m_s) < AT_REST_M_S) & (series.slipped < LOCKED)
        after = np.flatnonzero((series.t_s >= since) & stands)
        end = series.t_s[after[0]] if len(after) else np.inf
        on |= (series.t_s >= since) & (series.t_s < end)
    return on
