"""From where to where a run went, by the stations and posts of its route."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.track.route.route import Route

__all__ = ["from_and_to", "table_of"]

AT_M: Final = 1000.0
"""A station so near is where the train stood."""


def from_and_to(run: LoadedRun) -> str:
    """As the trip sheet states it, else by stations and posts; empty when neither tells."""
    paper = None if run.trip is None else run.trip.paper
    begin, end = _ends(run)
    if paper is not None and (paper.begins_at or paper.ends_at):
        begin, end = paper.begins_at or begin, paper.ends_at or end
    if not begin and not end:
        return ""
    return f"{begin or 'not known'} to {end or 'not known'}"


def table_of(run: LoadedRun) -> str:
    """The route table's file; of the one kept in the run, as the trip sheet names it."""
    source = "" if run.route is None else Path(run.route.source).name
    sheet = None if run.trip is None else run.trip.route
    return sheet.file if sheet is not None and ": " in source else source


def _ends(run: LoadedRun) -> tuple[str, str]:
    if run.route is None:
        return "", ""
    chainage = run.series.chainage_m
    known = chainage[np.isfinite(chainage)]
    if not known.size:
        return "", ""
    return _near(run.route, float(known[0])), _near(run.route, float(known[-1]))


def _near(route: Route, s_m: float) -> str:
    """The station there, and the last milepost before it in tenths."""
    stations = [f for f in route.all_features if f.kind == "station"]
    nearest = min(stations, key=lambda f: abs(f.s_m - s_m), default=None)
    at = nearest is not None and abs(nearest.s_m - s_m) <= AT_M
    name = nearest.label if nearest is not None and at else ""
    post = _post(route, s_m)
    return f"{name} ({post})" if name and post else name or post


def _post(route: Route, s_m: float) -> str:
    if route.numbers is not None:
        number = float(route.numbers.value(np.array([s_m]))[0])
        if math.isfinite(number):
            return f"milepost {number:.1f}"
    nearest = min(route.mileposts, key=lambda p: abs(p.s_m - s_m), default=None)
    return "" if nearest is None else f"near milepost {nearest.label}"
