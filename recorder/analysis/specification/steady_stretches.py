"""Steady stretches: where the pull means something for a specification.

A stretch is a longest piece in which speed keeps inside a band, acceleration is small, the
throttle is not touched, the brake is off and the slack has settled. The limits are stated, the
search is a single pass with no chance in it, and what the crew adds or strikes out is kept with
its reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.analysis.series.braking import brake_changes
from recorder.marks.handling import ThrottleMark
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.marks.mark import Mark

__all__ = [
    "RELEASE_S",
    "UNFIT",
    "Edit",
    "Limits",
    "Stretch",
    "apply_edits",
    "brake_on",
    "find_steady",
    "setting_at",
]


UNFIT: Final = flag_bits.SATURATED | flag_bits.SUSPECT
"""Flags that keep a bin out of every judged figure."""
_UNMARKED: Final = ThrottleMark()
RELEASE_S: Final = 20.0
"""From a release mark until the brakes of a long train are off; common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What counts as steady."""

    least_s: float = 20.0
    longest_s: float = 300.0
    """A longer stretch is cut, so that one long climb is several tests."""
    least_speed_m_s: float = 1.0
    speed_band_m_s: float = 0.7
    """Greatest less least speed in a stretch."""
    acceleration_m_s2: float = 0.05
    settle_s: float = 5.0
    """After a throttle or brake mark, and after starting, until the slack has run out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One steady stretch, by bins of the series."""

    start: int
    stop: int
    t_start_s: float
    t_end_s: float
    setting: ThrottleMark = _UNMARKED
    """Throttle or regulator as last marked; bare when never marked."""
    source: str = "found"
    """``found`` by the limits, or ``crew``."""
    reason: str = ""

    @property
    def name(self) -> str:
        """Stable name for causes and tables: start and end in whole seconds."""
        return f"{self.t_start_s:.1f}-{self.t_end_s:.1f} s"


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """The crew's word on stretches: ``strike`` what overlaps, or ``add`` one."""

    action: str
    t_start_s: float
    t_end_s: float
    reason: str
    run: str = ""
    """Name of the run it is for; empty when there is only one."""


def find_steady(series: Series, limits: Limits | None = None) -> list[Stretch]:
    """Find the steady stretches of a run, in order of time."""
    lim = limits or Limits()
    usable = _usable(series, lim)
    stretches: list[Stretch] = []
    edges = np.flatnonzero(np.diff(usable.astype(np.int8), prepend=0, append=0))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        stretches += _cut(series, int(start), int(stop), lim)
    return stretches


def setting_at(marks: Sequence[Mark], t_s: float) -> ThrottleMark:
    """The throttle or regulator setting last marked at or before ``t_s``; bare when none.

    A mark that does not read gives its words: they are shown, and agree with no setting.
    """
    held = ThrottleMark()
    for mark in marks:
        if mark.kind is Kind.THROTTLE and mark.t_s <= t_s:
            value = mark.meaning
            held = value if isinstance(value, ThrottleMark) else ThrottleMark(words=mark.value)
    return held


def apply_edits(
    series: Series, stretches: Sequence[Stretch], edits: Sequence[Edit]
) -> list[Stretch]:
    """Strike and add stretches as the crew says; later edits act on earlier ones.

    Raises
    ------
    ValueError
        An edit without a reason, with an unknown action, or outside the run.
    """
    kept = list(stretches)
    for edit in edits:
        if not edit.reason.strip():
            msg = f"stretch edit at {edit.t_start_s:.1f} s: a reason is wanted"
            raise ValueError(msg)
        if edit.action == "strike":
            kept = [
                s for s in kept if s.t_end_s <= edit.t_start_s or s.t_start_s >= edit.t_end_s
            ]
        elif edit.action == "add":
            kept.append(_by_crew(series, edit))
        else:
            msg = f"stretch edit: action must be strike or add, got {edit.action!r}"
            raise ValueError(msg)
    return sorted(kept, key=lambda s: s.start)


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
        after = np.flatnonzero((series.t_s >= since) & (np.abs(series.speed_m_s) < 0.05))
        end = series.t_s[after[0]] if len(after) else np.inf
        on |= (series.t_s >= since) & (series.t_s < end)
    return on


def _by_crew(series: Series, edit: Edit) -> Stretch:
    start = int(np.searchsorted(series.t_s, edit.t_start_s))
    stop = int(np.searchsorted(series.t_s, edit.t_end_s))
    if stop - start < 2:
        msg = f"stretch {edit.t_start_s:.1f}-{edit.t_end_s:.1f} s lies outside the run's data"
        raise ValueError(msg)
    return Stretch(
        start=start,
        stop=stop,
        t_start_s=edit.t_start_s,
        t_end_s=edit.t_end_s,
        setting=setting_at(series.marks, edit.t_start_s),
        source="crew",
        reason=edit.reason,
    )


def _usable(series: Series, lim: Limits) -> NDArray[np.bool_]:
    ok = (
        np.isfinite(series.pull_kN)
        & np.isfinite(series.speed_m_s)
        & (np.abs(series.speed_m_s) >= lim.least_speed_m_s)
        & (np.abs(np.nan_to_num(series.acceleration_m_s2, nan=np.inf)) <= lim.acceleration_m_s2)
        & (series.flags & UNFIT == 0)
    )
    braking = False
    brake_from = 0.0
    for t_s in _throttle_changes(series):
        ok &= ~((series.t_s >= t_s) & (series.t_s < t_s + lim.settle_s))
    for t_s, released in brake_changes(series.marks):
        ok &= ~((series.t_s >= t_s) & (series.t_s < t_s + RELEASE_S))
        if braking:
            ok &= ~((series.t_s >= brake_from) & (series.t_s < t_s))
        braking, brake_from = not released, t_s
    if braking:
        # A brake mark that was never followed by a release says when it went on, not when it
        # came off: only the settling time after it is struck.
        ok &= ~((series.t_s >= brake_from) & (series.t_s < brake_from + 60.0))
    return np.asarray(ok)


def _throttle_changes(series: Series) -> list[float]:
    return [mark.t_s for mark in series.marks if mark.kind is Kind.THROTTLE]


def _cut(series: Series, start: int, stop: int, lim: Limits) -> list[Stretch]:
    least = max(2, round(lim.least_s / series.step_s))
    most = max(least, round(lim.longest_s / series.step_s))
    out: list[Stretch] = []
    speed = np.abs(series.speed_m_s)
    changes = _throttle_changes(series)
    i = start
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
            out.append(_stretch(series, i, end))
            i = end
        else:
            i = max(end, i + 1) if cut else i + max(1, least // 4)
    return out


def _stretch(series: Series, start: int, stop: int) -> Stretch:
    half = series.step_s / 2
    t0 = float(series.t_s[start]) - half
    base = Stretch(
        start=start, stop=stop, t_start_s=t0, t_end_s=float(series.t_s[stop - 1]) + half
    )
    return replace(base, setting=setting_at(series.marks, t0))
