"""Parts of a run: by time, by distance, between marks, between the posts of its route."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.series.series import Series
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.route.route import Route

__all__ = [
    "Section",
    "per_distance",
    "per_time",
    "sections_between_marks",
    "sections_on_route",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A named part of the run by bins of the series."""

    name: str
    start: int
    stop: int

    @property
    def span(self) -> slice:
        """Its bins."""
        return slice(self.start, self.stop)


def per_time(series: Series, seconds: float) -> list[Section]:
    """Sections of even duration.

    Raises
    ------
    ValueError
        ``seconds`` is shorter than one bin of the series.
    """
    bins = round(seconds / series.step_s)
    if bins < 1:
        msg = f"a grid of {seconds} s is finer than the series' {series.step_s} s"
        raise ValueError(msg)
    starts = range(0, len(series), bins)
    return [
        Section(
            name=f"{series.t_s[i] - series.step_s / 2:.3f} s",
            start=i,
            stop=min(i + bins, len(series)),
        )
        for i in starts
    ]


def per_distance(series: Series, metres: float) -> list[Section]:
    """Sections of even distance run, cut at the bins of the series; standing adds to none.

    Raises
    ------
    ValueError
        ``metres`` is not above zero.
    """
    if not metres > 0.0:
        msg = f"a distance grid must be above zero, got {metres} m"
        raise ValueError(msg)
    travelled = np.concatenate(
        ([0.0], np.cumsum(np.abs(np.nan_to_num(series.speed_m_s)) * series.step_s))
    )
    number = np.floor(travelled[:-1] / metres).astype(np.int64)
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    stops = np.append(starts[1:], len(series))
    return [
        Section(name=f"{number[a] * metres:.0f} m", start=int(a), stop=int(b))
        for a, b in zip(starts, stops, strict=True)
    ]


def sections_between_marks(series: Series, marks: Sequence[Mark], kind: Kind) -> list[Section]:
    """Sections from each mark of a kind to the next (mileposts, stations, or any kind)."""
    held = sorted((m for m in marks if m.kind is kind), key=lambda m: m.t_s)
    out = []
    for first, second in itertools.pairwise(held):
        start, stop = np.searchsorted(series.t_s, (first.t_s, second.t_s))
        if stop > start:
            name = f"{first.value or kind} to {second.value or kind}"
            out.append(Section(name=name, start=int(start), stop=int(stop)))
    return out


def sections_on_route(
    chainage_m: NDArray[np.float64], route: Route | None, kind: Kind
) -> list[Section]:
    """Sections from each milepost, or feature of that name on the route, to the next passed.

    ``chainage_m`` (n,) is where the run was, bin by bin. Sections are named in the order of
    travel, ``12 to 13``; a place passed twice begins two. None without a route or a place on
    it.
    """
    s = chainage_m
    if route is None or not np.isfinite(s).any():
        return []
    places = (
        [(p.s_m, p.label) for p in route.mileposts]
        if kind is Kind.MILEPOST
        else [(f.s_m, f.label) for f in route.all_features if f.kind == kind]
    )
    passed: list[tuple[int, str]] = []
    for place, label in places:
        # Unknown chainage is on neither side.
        side = np.where(np.isfinite(s), np.where(s >= place, 1, 0), -1)
        both = (side[1:] >= 0) & (side[:-1] >= 0)
        crossed = np.flatnonzero(both & (side[1:] != side[:-1])) + 1
        passed += [(int(i), label or kind) for i in crossed]
    passed.sort()
    return [
        Section(name=f"{a} to {b}", start=i, stop=j)
        for (i, a), (j, b) in itertools.pairwise(passed)
        if j > i
    ]
