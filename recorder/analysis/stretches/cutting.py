"""The whole moving part of a run cut into stretches; none of it is left out.

A new stretch begins wherever something changes that matters to judgement: a throttle, cut-off or
sand mark and the end of its settling, the brake, a bin that is railed or suspect, the
neighbourhood of the posted limit, a gap. What lies between is cut into even parts that are short
and narrow in speed. The cut is a single pass with no chance in it; whether a stretch counts is
decided in :mod:`recorder.analysis.admission`.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.series.series import UNFIT
from recorder.analysis.stretches.handling import (
    ThrottleWord,
    brake_on,
    changes_s,
    setting_at,
    throttle_words,
)
from recorder.analysis.stretches.stretch import Stretch
from recorder.marks.handling import FULL, ThrottleMark
from recorder.run.checks.motion import MOVES_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.marks.mark import Mark

__all__ = ["CutLimits", "closed", "cut_run", "near_limit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutLimits:
    """How a run is cut."""

    least_s: float = 10.0
    """Two parts of which each would be shorter stay one."""
    longest_s: float = 60.0
    """A longer part is cut, so that one long climb is several tests, and a change that nobody
    keyed spoils one of them and not all."""
    least_speed_m_s: float = MOVES_M_S
    """Slower is starting, which is judged by itself; from experience."""
    speed_band_m_s: float = 2.0
    """Greatest less least speed in a part that is cut further."""
    settle_s: float = 10.0
    """After a change of throttle, cut-off or sand, and after starting from rest."""
    keyed_late_s: float = 30.0
    """Before a mark that the throttle left its setting."""
    settings: tuple[ThrottleMark, ...] = (FULL,)
    """Throttle settings that count: only a mark that one was left may be dangerously late."""
    limit_margin_m_s: float = 5.0 / 3.6
    """Below the posted limit: nearer, a driver eases off."""
    joined_s: float = 10.0
    """Railed or suspect bins, and times near the limit, closer together than this are one."""


def cut_run(
    series: Series, marks: Sequence[Mark], limits: CutLimits | None = None
) -> list[Stretch]:
    """Cut the moving part of a run into stretches, in order of time."""
    lim = limits or CutLimits()
    if not len(series):
        return []
    moving = (
        np.isfinite(series.pull_kN)
        & np.isfinite(series.speed_m_s)
        & (series.speed_m_s >= lim.least_speed_m_s)
    )
    words = throttle_words(marks)
    begins = _begins(series, marks, words, moving, lim)
    edges = np.flatnonzero(begins)
    out: list[Stretch] = []
    for start, stop in zip(edges, np.append(edges[1:], len(series)), strict=True):
        if moving[start]:
            for a, b in _parts(np.abs(series.speed_m_s), int(start), int(stop), series, lim):
                out.append(_stretch(series, words, a, b))
    return out


def near_limit(series: Series, lim: CutLimits) -> NDArray[np.bool_]:
    """Bins (n,) faster than the margin below the posted limit; none where none is known."""
    if series.speed_limit_m_s is None:
        return np.zeros(len(series), bool)
    known = np.isfinite(series.speed_limit_m_s)
    over = np.abs(series.speed_m_s) > series.speed_limit_m_s - lim.limit_margin_m_s
    return closed(known & over, round(lim.joined_s / series.step_s))


def closed(held: NDArray[np.bool_], bins: int) -> NDArray[np.bool_]:
    """The mask (n,) with holes of fewer than ``bins`` bins between held ones filled."""
    out = held.copy()
    at = np.flatnonzero(held)
    apart = np.diff(at)
    for k in np.flatnonzero((apart > 1) & (apart <= bins)):
        out[at[k] : at[k + 1]] = True
    return out


def _begins(
    series: Series,
    marks: Sequence[Mark],
    words: Sequence[ThrottleWord],
    moving: NDArray[np.bool_],
    lim: CutLimits,
) -> NDArray[np.bool_]:
    """Bins (n,) at which a new part begins."""
    joined = round(lim.joined_s / series.step_s)
    begins = np.zeros(len(series), bool)
    masks = (
        moving,
        closed(series.flags & UNFIT != 0, joined),
        brake_on(series, marks),
        near_limit(series, lim),
    )
    for mask in masks:
        begins |= np.diff(mask.astype(np.int8), prepend=-1) != 0
    cuts = [t for c in changes_s(marks) for t in (c, c + lim.settle_s)]
    cuts += [
        after.t_s - lim.keyed_late_s
        for before, after in itertools.pairwise(words)
        if _counts(before.setting, lim) and not _counts(after.setting, lim)
    ]
    started = series.t_s[np.flatnonzero(np.diff(moving.astype(np.int8), prepend=0) > 0)]
    cuts += [float(t) + lim.settle_s for t in started]
    at = np.searchsorted(series.t_s, np.array(cuts, np.float64))
    begins[at[at < len(series)]] = True
    return begins


def _counts(setting: ThrottleMark, lim: CutLimits) -> bool:
    return any(setting.agrees(s) for s in lim.settings)


def _parts(
    speed: NDArray[np.float64], start: int, stop: int, series: Series, lim: CutLimits
) -> list[tuple[int, int]]:
    """Even parts of an unbroken one: short enough, and narrow in speed where that can be."""
    seconds = (stop - start) * series.step_s
    number = min(int(np.ceil(seconds / lim.longest_s - 1e-9)), max((stop - start) // 2, 1))
    if number <= 1:
        wide = float(np.ptp(speed[start:stop])) > lim.speed_band_m_s
        if not wide or seconds < 2.0 * lim.least_s or stop - start < 4:
            return [(start, stop)]
        number = 2
    edges = np.linspace(start, stop, number + 1).round().astype(int)
    return [
        part
        for a, b in itertools.pairwise(edges)
        for part in _parts(speed, int(a), int(b), series, lim)
    ]


def _stretch(series: Series, words: Sequence[ThrottleWord], start: int, stop: int) -> Stretch:
    half = series.step_s / 2
    t0 = float(series.t_s[start]) - half
    return Stretch(
        start=start,
        stop=stop,
        t_start_s=t0,
        t_end_s=float(series.t_s[stop - 1]) + half,
        setting=setting_at(words, float(series.t_s[start])),
    )
