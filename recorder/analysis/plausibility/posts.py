"""Milepost numbering: the trip sheet and the crew's marks against the route."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.plausibility.doubt import Doubt, DoubtKind
from recorder.marks.kinds import Kind
from recorder.marks.values import MilepostMark

if TYPE_CHECKING:
    from recorder.marks.mark import Mark
    from recorder.sheets import TripSheet
    from recorder.track.route.route import Route

__all__ = ["milepost_doubts", "numbering_of"]

LEAST_MARKS: Final = 4


def numbering_of(route: Route) -> int:
    """+1 when the posts' numbers rise with chainage, −1 when they fall, 0 when neither."""
    numbers = []
    for post in sorted(route.mileposts, key=lambda p: p.s_m):
        try:
            numbers.append(float(post.label))
        except ValueError:
            continue
    steps = np.sign(np.diff(numbers)) if len(numbers) > 1 else np.zeros(0)
    return int(np.sign(steps.sum())) if len(steps) else 0


def milepost_doubts(
    trip: TripSheet | None, route: Route | None, marks: Sequence[Mark]
) -> Iterator[Doubt]:
    """Doubts by how mileposts count: the sheet, the marks, the route."""
    keyed = [
        m.meaning.number
        for m in sorted(marks, key=lambda m: m.t_s)
        if m.kind is Kind.MILEPOST and isinstance(m.meaning, MilepostMark)
    ]
    counted = np.sign(np.diff([n for n in keyed if n is not None]))
    if route is None or trip is None or trip.route is None:
        return
    rises = numbering_of(route)
    facing = -1 if trip.route.direction == "decreasing" else 1
    expected = rises * facing
    if expected == 0:
        return
    sense = {1: "rise", -1: "fall"}
    if trip.mileposts.first is not None and np.sign(trip.mileposts.step) == -expected:
        yield Doubt(
            kind=DoubtKind.MILEPOSTS,
            text=(
                f"the trip sheet's mileposts {sense[-expected]} by its step, the route's"
                f" {sense[expected]} as the train goes ({trip.route.direction} chainage): check"
                " [mileposts] step and [route] direction"
            ),
            value=float(-expected),
            limit=float(expected),
        )
    if len(counted) >= LEAST_MARKS - 1 and float(np.mean(counted == -expected)) > 0.8:
        yield Doubt(
            kind=DoubtKind.MILEPOSTS,
            text=(
                f"the mileposts keyed {sense[-expected]}, the route's {sense[expected]} as the"
                " train goes: check [route] direction"
            ),
            value=float(-expected),
            limit=float(expected),
        )
