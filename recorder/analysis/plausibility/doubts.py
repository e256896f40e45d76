"""All doubts of one run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from recorder.analysis.plausibility.doubt import Doubt, DoubtKind
from recorder.analysis.plausibility.forces import force_doubts
from recorder.analysis.plausibility.limits import limit_doubts
from recorder.analysis.plausibility.motion import motion_doubts
from recorder.analysis.plausibility.posts import milepost_doubts

if TYPE_CHECKING:
    from recorder.analysis.dynamics.mass import MassCheck
    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.sheets import TripSheet
    from recorder.track.placing.placement import Placement
    from recorder.track.route.route import Route

__all__ = ["doubts_of"]


def doubts_of(
    run: RunBasis,
    *,
    mass: MassCheck | None,
    trip: TripSheet | None = None,
    route: Route | None = None,
    placement: Placement | None = None,
    answers: Mapping[DoubtKind, str] | None = None,
) -> tuple[Doubt, ...]:
    """What contradicts a run, with the crew's answers; none twice."""
    found = [
        *force_doubts(mass),
        *motion_doubts(run.series, placement),
        *limit_doubts(run, trip),
        *milepost_doubts(trip, route, run.marks),
    ]
    given = answers or {}
    return tuple(
        replace(d, answer=given[d.kind]) if d.kind in given else d for d in dict.fromkeys(found)
    )
