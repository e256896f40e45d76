"""Speed against distance, wheel against posts and GNSS, channels that never move."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.plausibility.doubt import Doubt, DoubtKind
from recorder.analysis.plausibility.forces import SPEED_SLIPS, slip_of

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.track.placing.placement import Placement

__all__ = ["motion_doubts"]

AWAY: Final = 0.05
"""Relative: wheels wear by less (common practice: 4 % of diameter from new to condemned)."""
LEAST_M: Final = 500.0
MOVES_M_S: Final = 1.0
STUCK_S: Final = 120.0
"""A pull does not stand still to the last count for two minutes of running."""


def motion_doubts(series: Series, placement: Placement | None) -> Iterator[Doubt]:
    """Doubts by what moved and how far."""
    yield from _distance(series)
    if placement is not None and abs(placement.scale - 1.0) > AWAY:
        yield _wheel(placement.scale)
    yield from _stuck(series)


def _distance(series: Series) -> Iterator[Doubt]:
    """Speed added up, against the distance of its own channel."""
    known = np.isfinite(series.speed_m_s) & np.isfinite(series.distance_m)
    steps = known[1:] & known[:-1]
    run_m = float(np.sum(np.abs(np.diff(series.distance_m))[steps]))
    speeds = 0.5 * (np.abs(series.speed_m_s[1:]) + np.abs(series.speed_m_s[:-1]))
    added_m = float(np.sum(speeds[steps]) * series.step_s)
    if run_m < LEAST_M or added_m < LEAST_M:
        return
    ratio = added_m / run_m
    if abs(ratio - 1.0) > AWAY:
        named = slip_of(ratio, SPEED_SLIPS)
        what = (
            f"it looks like {named}" if named else "one of them has another unit than it says"
        )
        yield Doubt(
            kind=DoubtKind.DISTANCE,
            text=(
                f"speed adds up to {ratio:.3g} times the recorded distance: {what}; check the"
                " units of speed and distance"
            ),
            value=ratio,
            limit=1.0,
        )


def _wheel(scale: float) -> Doubt:
    return Doubt(
        kind=DoubtKind.WHEEL,
        text=(
            f"the posts say the wheel is {100 * (scale - 1.0):+.1f} % from its certificate, more"
            f" than wear can do ({100 * AWAY:.0f} %): check the wheel, the route and the unit of"
            " the posts"
        ),
        value=scale,
        limit=AWAY,
    )


def _stuck(series: Series) -> Iterator[Doubt]:
    """Pull that is the same to the last bit while the train runs."""
    moving = np.abs(np.nan_to_num(series.speed_m_s)) > MOVES_M_S
    still = np.zeros(len(series), bool)
    still[1:] = moving[1:] & (np.diff(series.pull_kN) == 0.0)
    edges = np.flatnonzero(np.diff(still.astype(np.int8), prepend=0, append=0))
    if not len(edges):
        return
    seconds = float((edges[1::2] - edges[::2]).max()) * series.step_s
    if seconds >= STUCK_S:
        yield Doubt(
            kind=DoubtKind.STUCK,
            text=(
                f"the pull stood still to the last count for {seconds:.0f} s of running: check the"
                " cell's cable and the converter"
            ),
            value=seconds,
            limit=STUCK_S,
        )
