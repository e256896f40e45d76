"""Speed against distance, and the wheel against posts and GNSS."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.analysis.plausibility.evidence import Evidence, middle_of
from recorder.analysis.plausibility.numbering import keyed_posts
from recorder.analysis.plausibility.unit_slips import LENGTH_SLIPS, slip_in_words
from recorder.run.checks.motion import MOVES_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["check_gnss", "check_posts", "check_speed"]

AWAY: Final = 0.03
"""Speed, distance, posts and GNSS agree within this whatever wheel is worn (from experience:
a tyre wears by less than three per cent of its diameter)."""
CHUNK_S: Final = 15.0
LEAST_CHUNKS: Final = 4
SURE: Final = 4.0
WITHIN: Final = 0.04
"""Of a slip's factor, for it to be named."""
NEAREST_SLIP: Final = min(abs(factor - 1.0) for factor in LENGTH_SLIPS.values())
"""A ratio less certain than this cannot tell the slips of a unit that it is asked for."""


def check_speed(evidence: Evidence) -> list[Checked]:
    """The speed's integral over the distance recorded beside it."""
    series = evidence.run.series
    name = "speed against distance"
    turned = np.abs(np.diff(series.distance_m, prepend=np.nan)) / series.step_s
    ratio, spread = _ratio(np.abs(series.speed_m_s), turned, series.step_s)
    if not math.isfinite(ratio):
        return [Checked.not_checked(name, "too little of both was recorded")]
    said = f"{ratio:.4f} of the distance, 1 expected"
    if abs(ratio - 1.0) <= max(AWAY, SURE * spread):
        return [_undoubted(name, said, spread)]
    text = (
        f"the speed comes to {ratio:.3f} times the distance recorded, 1 expected:"
        f" {_guess(ratio)}; check unit and wheel of speed and distance"
    )
    return [_doubted(name, said, DoubtKind.DISTANCE, text, ratio)]


def check_gnss(evidence: Evidence) -> list[Checked]:
    """The speed as it was recorded, before the route corrected it, against the receiver's."""
    gnss = evidence.gnss_speed_m_s
    name = "speed against GNSS"
    if gnss is None:
        return [Checked.not_checked(name, "no GNSS speed")]
    series = evidence.run.series
    recorded = np.abs(series.speed_m_s) / evidence.run.instruments.wheel_scale
    ratio, spread = _ratio(recorded, np.abs(gnss), series.step_s)
    if not math.isfinite(ratio):
        return [Checked.not_checked(name, "too little of both was recorded")]
    said = f"as recorded {ratio:.4f} of GNSS, 1 expected"
    if abs(ratio - 1.0) <= max(AWAY, SURE * spread):
        return [_undoubted(name, said, spread)]
    text = (
        f"the recorded speed is {ratio:.3f} times the receiver's, 1 expected: {_guess(ratio)};"
        " check unit and certificate of the wheel"
    )
    return [_doubted(name, said, DoubtKind.WHEEL, text, ratio)]


def check_posts(evidence: Evidence) -> list[Checked]:
    """The wheel's scale as placing found it, or as the numbers keyed at posts tell it."""
    placed, keyed = evidence.placement, keyed_posts(evidence)
    by, between = "posts", "the posts of the route"
    # Numbers that were keyed tell even where placing found no place.
    if keyed is not None and math.isfinite(keyed.ratio):
        ratio, u = abs(keyed.ratio), keyed.u
    elif placed is not None and not placed.scale_is_seen:
        why = "neither a post nor a fix lies on the route: its scale is what was assumed"
        return [Checked.not_checked("wheel against the route", why)]
    elif placed is not None and math.isfinite(placed.u_scale) and placed.scale > 0.0:
        ratio, u = 1.0 / placed.scale, placed.u_scale
        if not placed.posts_used:
            by, between = "GNSS on the route", "the fixes on the route"
    else:
        return [Checked.not_checked("wheel against the route", "the run was not placed on one")]
    name = f"wheel against {by}"
    said = f"{ratio:.4f} ± {2 * u:.4f} (95 %) of the route, 1 expected"
    if abs(ratio - 1.0) <= max(AWAY, SURE * u):
        return [_borne_out(evidence, name, said, ratio, u)]
    text = (
        f"the wheel shows {ratio:.3f} times the distance between {between}, 1"
        f" expected: {_guess(ratio)}; check the wheel's certificate, the unit of distance and the"
        " unit of the route's chainage"
    )
    return [_doubted(name, said, DoubtKind.WHEEL, text, ratio)]


def _borne_out(evidence: Evidence, name: str, said: str, ratio: float, u: float) -> Checked:
    """Not doubted; but a wheel that the route does not find to be 1 is not borne out by it."""
    held_u = evidence.run.instruments.certified_rel_u
    if abs(ratio - 1.0) <= 2.0 * math.hypot(u, held_u):
        return _undoubted(name, said, u)
    why = (
        f"{said}: no slip of a unit, but not 1 within that and the certificate's"
        f" ± {2 * held_u:.4f}: the wheel wore, or slid unseen"
    )
    return Checked.not_checked(name, why)


def _undoubted(name: str, said: str, u: float) -> Checked:
    if SURE * u > NEAREST_SLIP:
        why = f"{said}, but {SURE * u:.2f} of it may be chance: no slip of a unit would show"
        return Checked.not_checked(name, why)
    return Checked(name=name, outcome=said)


def _guess(ratio: float) -> str:
    fits = slip_in_words(ratio, LENGTH_SLIPS, within=WITHIN)
    return f"it fits if {fits}" if fits else "no slip of a unit fits it"


def _doubted(name: str, said: str, kind: DoubtKind, text: str, ratio: float) -> Checked:
    limit = 1.0 + math.copysign(AWAY, ratio - 1.0)
    return Checked(
        name=name, outcome=said, doubt=Doubt(kind=kind, text=text, value=ratio, limit=limit)
    )


def _ratio(
    one: NDArray[np.float64], other: NDArray[np.float64], step_s: float
) -> tuple[float, float]:
    """Median ratio of two speeds (n,) over quarter minutes, and its uncertainty; NaN without them.

    A counter that restarts spoils one quarter minute, not the median.
    """
    every = max(1, round(CHUNK_S / step_s))
    whole = len(one) // every
    known = np.isfinite(one) & np.isfinite(other)
    sums = [
        np.where(known, x, 0.0)[: whole * every].reshape(whole, every).sum(axis=1)
        for x in (one, other)
    ]
    least = MOVES_M_S * every
    moving = (sums[0] + sums[1] > least) & (np.minimum(*sums) > 0.0)
    if np.count_nonzero(moving) < LEAST_CHUNKS:
        return math.nan, math.nan
    return middle_of(sums[0][moving] / sums[1][moving])
