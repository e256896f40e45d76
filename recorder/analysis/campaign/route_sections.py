"""Sections of a placed run between the mileposts or stations of its route."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.campaign.run_table import Section
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from recorder.analysis.campaign.loading import LoadedRun

__all__ = ["sections_on_route"]


def sections_on_route(run: LoadedRun, kind: Kind) -> list[Section]:
    """Sections from each milepost, or feature of that name on the route, to the next one passed.

    Named in the order of travel, ``12 to 13``; a place passed twice begins two sections. None
    without a route and a place on it.
    """
    s = run.series.chainage_m
    if run.route is None or not np.isfinite(s).any():
        return []
    places = (
        [(p.s_m, p.label) for p in run.route.mileposts]
        if kind is Kind.MILEPOST
        else [(f.s_m, f.label) for f in run.route.all_features if f.kind == kind]
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
