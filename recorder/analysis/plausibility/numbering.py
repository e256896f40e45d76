"""Mileposts as the trip sheet counts them and as they were keyed, against the route's."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.analysis.plausibility.evidence import middle_of
from recorder.marks.values import MilepostMark

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.plausibility.evidence import Evidence
    from recorder.sheets import TripSheet
    from recorder.track.route.route import Route

__all__ = ["KeyedPosts", "check_keyed", "check_sheet_numbers", "keyed_posts"]

LEAST_MARKS: Final = 4
MOST_ASTRAY: Final = 0.5
"""Share of the numbers keyed that may be at no post: beyond a half it is not slips of the key."""
SURE: Final = 3.0
"""Standard uncertainties of the ratio by which it must be away from nought, to tell a way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyedPosts:
    """What the numbers keyed at posts say of the wheel and the way."""

    numbered: int
    astray: int
    """Of them, at no post of the route."""
    ratio: float
    """Metres shown by the wheel per metre of chainage, median between marks; below zero when the
    chainage falls. NaN with fewer than four marks."""
    u: float


def keyed_posts(evidence: Evidence) -> KeyedPosts | None:
    """Compare the milepost marks with the route; ``None`` without a route or numbers."""
    if evidence.route is None:
        return None
    at = {p.number: p.s_m for p in evidence.route.mileposts if p.number is not None}
    keyed = [
        (mark.t_s, value.number)
        for mark in sorted(evidence.run.marks, key=lambda m: m.t_s)
        if isinstance(value := mark.meaning, MilepostMark) and value.number is not None
    ]
    if not keyed or not at:
        return None
    series = evidence.run.series
    known = np.isfinite(series.distance_m)
    found = [(t, at[number]) for t, number in keyed if number in at]
    if len(found) < LEAST_MARKS or np.count_nonzero(known) < 2:
        ratio, u = math.nan, math.nan
    else:
        raw_m = series.distance_m[known] / evidence.run.instruments.wheel_scale
        turned = np.interp([t for t, _ in found], series.t_s[known], raw_m)
        ratio, u = _middle(np.diff(turned), np.diff([s for _, s in found]))
    return KeyedPosts(numbered=len(keyed), astray=len(keyed) - len(found), ratio=ratio, u=u)


def _middle(turned: NDArray[np.float64], chainage: NDArray[np.float64]) -> tuple[float, float]:
    apart = np.abs(chainage) > 1.0
    if np.count_nonzero(apart) < LEAST_MARKS - 1:
        return math.nan, math.nan
    return middle_of(turned[apart] / chainage[apart])


def check_keyed(evidence: Evidence) -> list[Checked]:
    """Whether the numbers keyed lie on the route, and run the way the sheet says."""
    name = "mileposts keyed against the route"
    keyed = keyed_posts(evidence)
    if keyed is None:
        return [Checked.not_checked(name, "no route, or no numbers keyed")]
    if keyed.numbered < LEAST_MARKS:
        why = f"numbers keyed: {keyed.numbered}, of {LEAST_MARKS} needed"
        return [Checked.not_checked(name, why)]
    said = f"{keyed.numbered - keyed.astray} of {keyed.numbered} numbers are on the route"
    way = 1.0 if _rising(evidence.trip) else -1.0
    tells_way = evidence.trip is not None and abs(keyed.ratio) > SURE * keyed.u
    if keyed.astray > MOST_ASTRAY * keyed.numbered:
        text = (
            f"{keyed.astray} of {keyed.numbered} milepost numbers keyed are at no post of the"
            " route: another line's numbers or another line's route; check [route] file and the"
            " marks"
        )
        value, limit = float(keyed.astray), MOST_ASTRAY * keyed.numbered
    elif tells_way and keyed.ratio * way < 0.0:
        word = "increasing" if way > 0.0 else "decreasing"
        text = (
            f"the milepost numbers keyed run against the trip sheet's direction, {word} chainage:"
            " they were counted the wrong way or the train went the other way; mend [route]"
            " direction or the marks"
        )
        value, limit = keyed.ratio, 0.0
    else:
        told = "and run the way the sheet says" if tells_way else "the way they run is not told"
        return [Checked(name=name, outcome=f"{said}, {told}")]
    doubt = Doubt(kind=DoubtKind.MILEPOSTS, text=text, value=value, limit=limit)
    return [Checked(name=name, outcome=said, doubt=doubt)]


def _rising(trip: TripSheet | None) -> bool:
    return trip is None or trip.route is None or trip.route.direction == "increasing"


def check_sheet_numbers(trip: TripSheet | None, route: Route | None) -> list[Checked]:
    """``[mileposts]`` of the trip sheet against the posts of the route on the way stated."""
    name = "mileposts of the sheet against the route"
    posts = [] if route is None else [p.number for p in route.mileposts if p.number is not None]
    if trip is None or trip.mileposts.first is None or len(posts) < 2:
        return [Checked.not_checked(name, "no [mileposts] first, or no route")]
    first, step = trip.mileposts.first, trip.mileposts.step
    steps = np.diff(posts) * (1.0 if _rising(trip) else -1.0)
    usual = float(np.median(steps))
    said = f"first {first:g} step {step:g}; the route counts {usual:+g} from post to post"
    low, high = min(posts), max(posts)
    if step * usual < 0.0:
        text = (
            f"[mileposts] step {step:g} counts the wrong way: on the route in {_way(trip)}"
            f" direction the posts count {usual:+g}; mend step or [route] direction"
        )
        value, limit = step, 0.0
    elif not low - abs(usual) <= first <= high + abs(usual):
        text = (
            f"[mileposts] first {first:g} is not on the route, whose posts are numbered {low:g} to"
            f" {high:g}; mend first or [route] file"
        )
        value, limit = first, low if first < low else high
    else:
        return [Checked(name=name, outcome=said)]
    doubt = Doubt(kind=DoubtKind.MILEPOSTS, text=text, value=value, limit=limit)
    return [Checked(name=name, outcome=said, doubt=doubt)]


def _way(trip: TripSheet) -> str:
    return "increasing" if _rising(trip) else "decreasing"
