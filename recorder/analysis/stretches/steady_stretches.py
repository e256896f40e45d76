"""Steady stretches: where the pull means something for a specification.

A stretch is a longest part of the run in which speed keeps inside a band, acceleration is
small, the throttle is not touched, the brake is off and the slack has settled. The limits are
stated, the search is a single pass with no chance in it. What the crew adds or strikes out is in
:mod:`recorder.analysis.stretches.stretch_edits`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.marked import brake_changes
from recorder.analysis.series.series import UNFIT
from recorder.marks.handling import ThrottleMark
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.marks.mark import Mark

__all__ = [
    "SteadyLimits",
    "Stretch",
    "StretchSource",
    "brake_on",
    "find_steady",
    "setting_at",
]


_UNMARKED: Final = ThrottleMark()
RELEASE_S: Final = 20.0
"""From a release mark until the brakes of a long train are off; common practice."""
UNRELEASED_S: Final = 60.0
"""Struck after a brake mark that no release follows: by then the train has stopped, or the
release was not keyed."""
STANDING_M_S: Final = 0.05
"""Slower is at rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyLimits:
    """What counts as steady."""

    least_s: float = 20.0
    """The slack of a long train has run in and out by then; common practice."""
    longest_s: float = 300.0
    """A longer stretch is cut, so that one long climb is several tests."""
    least_speed_m_s: float = 1.0
    speed_band_m_s: float = 0.7
    """Greatest less least speed in a stretch."""
    acceleration_m_s2: float = 0.05
    """Greatest: beyond, the correction of a locomotive of 100 t exceeds 5 kN."""
    settle_s: float = 5.0
    """After a throttle or brake mark, and after starting, until the slack has run out."""


class StretchSource(StrEnum):
    """Who said that a stretch is steady."""

    FOUND = "found"
    """By the limits."""
    CREW = "crew"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One steady stretch, by bins of the series."""

    start: int
    stop: int
    t_start_s: float
    t_end_s: float
    setting: ThrottleMark = _UNMARKED
    """Throttle as last marked; bare when never marked."""
    source: StretchSource = StretchSource.FOUND
    reason: str = ""
    """Why the crew added it."""

    @property
    def span(self) -> slice:
        """Its bins."""
        return slice(self.start, self.stop)

    @property
    def name(self) -> str:
        """Stable name for causes and tables: start and end in whole seconds."""
        return f"{self.t_start_s:.1f}-{self.t_end_s:.1f} s"


def find_steady(
    series: Series, marks: Sequence[Mark], limits: SteadyLimits | None = None
) -> list[Stretch]:
    """Find the steady stretches of a run, in order of time."""
    lim = limits or SteadyLimits()
    usable = _usable(series, marks, lim)
    stretches: list[Stretch] = []
    edges = np.flatnonzero(np.diff(usable.astype(np.int8), prepend=0, append=0))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        stretches += _cut(series, marks, (int(start), int(stop)), lim)
    return stretches


def setting_at(marks: Sequence[Mark], t_s: float) -> ThrottleMark:
    """The throttle setting last marked at or before ``t_s``; bare when none.

    A mark that does not read gives its words: they are shown, and agree with no setting.
    """
    held = _UNMARKED
    for mark in marks:
        if mark.kind is Kind.THROTTLE and mark.t_s <= t_s:
            value = mark.meaning
            held = value if isinstance(value, ThrottleMark) else ThrottleMark(words=mark.value)
    return held


def brake_on(series: Series, marks: Sequence[Mark]) -> NDArray[np.bool_]:
    """Bins in which the brake was marked as on: to its settled release, or to rest."""
    on = np.zeros(len(series), bool)
    since = np.inf
    for t_s, released in brake_changes(marks):
        if released:
            on |= (series.t_s >= since) & (series.t_s < t_s + RELEASE_S)
            since = np.inf
        else:
            since = min(since, t_s)
    if since < np.inf:
        after = np.flatnonzero(
            (series.t_s >= since) & (np.abs(series.speed_m_s) < STANDING_M_S)
        )
        end = series.t_s[after[0]] if len(after) else np.inf
        on |= (series.t_s >= since) & (series.t_s < end)
    return on


def _usable(series: Series, marks: Sequence[Mark], lim: SteadyLimits) -> NDArray[np.bool_]:
    ok = (
        np.isfinite(series.pull_kN)
        & np.isfinite(series.speed_m_s)
        & (np.abs(series.speed_m_s) >= lim.least_speed_m_s)
        & (np.abs(np.nan_to_num(series.acceleration_m_s2, nan=np.inf)) <= lim.acceleration_m_s2)
        & (series.flags & UNFIT == 0)
    )
    braking = False
    brake_from = 0.0
    for t_s in _throttle_changes(marks):
        ok &= ~((series.t_s >= t_s) & (series.t_s < t_s + lim.settle_s))
    for t_s, released in brake_changes(marks):
        ok &= ~((series.t_s >= t_s) & (series.t_s < t_s + RELEASE_S))
        if braking:
            ok &= ~((series.t_s >= brake_from) & (series.t_s < t_s))
        braking, brake_from = not released, t_s
    if braking:
        # It is known when the brake went on, not when it came off.
        ok &= ~((series.t_s >= brake_from) & (series.t_s < brake_from + UNRELEASED_S))
    return np.asarray(ok)


def _throttle_changes(marks: Sequence[Mark]) -> list[float]:
    return [mark.t_s for mark in marks if mark.kind is Kind.THROTTLE]


def _cut(
    series: Series, marks: Sequence[Mark], run: tuple[int, int], lim: SteadyLimits
) -> list[Stretch]:
    """The longest steady stretches of one unbroken run of usable bins."""
    least = max(2, round(lim.least_s / series.step_s))
    most = max(least, round(lim.longest_s / series.step_s))
    out: list[Stretch] = []
    speed = np.abs(series.speed_m_s)
    changes = _throttle_changes(marks)
    i, stop = run
    while i + least <= stop:
        end = min(stop, i + most)
        low = np.minimum.accumulate(speed[i:end])
        high = np.maximum.accumulate(speed[i:end])
        wide = np.flatnonzero(high - low > lim.speed_band_m_s)
        if len(wide):
            end = i + int(wide[0])
        cut = [t for t in changes if series.t_s[i] < t <= series.t_s[end - 1]]
        if cut:
            end = int(np.searchsorted(series.t_s, cut[0]))
        if end - i >= least:
            out.append(_stretch(series, marks, i, end))
            i = end
        else:
            i = max(end, i + 1) if cut else i + max(1, least // 4)
    return out


def _stretch(series: Series, marks: Sequence[Mark], start: int, stop: int) -> Stretch:
    half = series.step_s / 2
    t0 = float(series.t_s[start]) - half
    return Stretch(
        start=start,
        stop=stop,
        t_start_s=t0,
        t_end_s=float(series.t_s[stop - 1]) + half,
        setting=setting_at(marks, t0),
    )
