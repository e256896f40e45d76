"""Holds and preloads held against the steps, and indications that did not stand still.

No figure but creep rests on a hold and none on a preload: what they contradict is told all the
same, with an allowance that creep, mounting, friction and settling never use up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.doubts.doubt import Doubt, DoubtKind, plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["hold_doubts", "preload_doubts", "unsteady_doubts"]

PRELOAD: Final = "preload"
"""Of ``KINDS``."""
OF_FULL_SCALE: Final = 0.02
"""Allowed to either: zeros, friction, loop (from experience)."""
HOLD_APART: Final = 0.03
"""Allowed to a hold beside it, of what is expected (from experience)."""
PRELOAD_APART: Final = 0.2
"""Allowed to a preload: the press is not set as for a step, the cell has not settled (common
practice)."""
UNSTEADY: Final = 0.01
"""Standard deviation of an indication, of full scale: no force that stood (from experience)."""


def hold_doubts(loads: LoadSeries) -> list[Doubt]:
    """Readings of holds far from what the steps lead to expect of their force."""
    r = loads.readings
    return _apart(loads, r.pick(r.held), "hold", HOLD_APART)


def preload_doubts(loads: LoadSeries, readings: Readings) -> list[Doubt]:
    """Preloads that did not go to the force they state; ``readings`` are all there are."""
    kinds = np.array([kind == PRELOAD for kind in readings.kind], dtype=np.bool_)
    mine = kinds & ~readings.superseded & (readings.applied * loads.sense >= 0.0)
    return _apart(loads, readings.pick(mine), "preload", PRELOAD_APART)


def unsteady_doubts(loads: LoadSeries) -> list[Doubt]:
    """Readings whose stated standard deviation is no scatter of a force that stood."""
    r = loads.readings
    if not len(r.sd):
        return []
    share = r.sd / loads.full_scale
    # A comparison with a standard deviation that is not stated is false.
    return [
        Doubt(
            kind=DoubtKind.READING,
            rows=(int(r.row[i]),),
            text=f"row {r.row[i]}: the indication at {plain(float(r.applied[i]))} {r.force_unit}"
            f" moved by {plain(float(r.sd[i]))} (standard deviation),"
            f" {100.0 * share[i]:.3g} % of full scale: the force did not stand",
        )
        for i in np.flatnonzero(share > UNSTEADY)
    ]


def _apart(loads: LoadSeries, those: Readings, word: str, allowed: float) -> list[Doubt]:
    if not loads.has_zero or not len(those):
        return []
    expected = _expected(loads, those.applied)
    zero = float(np.median(loads.zeros))
    away = those.reading - zero - expected
    limit = allowed * np.abs(expected) + OF_FULL_SCALE * loads.full_scale
    return [
        Doubt(
            kind=DoubtKind.READING,
            rows=(int(those.row[i]),),
            text=f"row {those.row[i]}: {word} at {plain(float(those.applied[i]))}"
            f" {those.force_unit} reads {those.reading[i]:.9g}, expected about"
            f" {plain(zero + float(expected[i]), digits=6)} by the steps",
            expected=zero + float(expected[i]),
            residual=float(away[i]),
        )
        for i in np.flatnonzero(np.abs(away) > limit)
    ]


def _expected(loads: LoadSeries, force: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) deflections by the means of the steps; beyond the largest force in proportion."""
    at = np.append(0.0, np.abs(loads.levels))
    means = np.append(0.0, loads.mean_at_levels())
    size = np.abs(force)
    beyond = np.maximum(size / loads.largest, 1.0)
    return np.asarray(np.interp(size, at, means) * beyond)
