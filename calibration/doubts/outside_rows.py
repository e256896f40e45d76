"""The table's own readings held against the uncertainty that rests on them."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from calibration.doubts.doubt import Doubt, DoubtKind, plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.readings import Readings

__all__ = ["outside_doubts"]

LEVEL: Final = 0.95
CHANCE: Final = 0.001
"""So seldom would as many readings lie outside, were U right (from experience)."""
CLEARLY: Final = 1.15
"""So many times U, that a reading counts: a rectangle alone (misfit of the curve) reaches 1/0.95 of
its own 95 %, and between the forces of its table U is interpolated (from experience)."""
FAR: Final = 2.0
"""One reading so many times U off needs no counting (from experience)."""
NAMED: Final = 3


def outside_doubts(
    readings: Readings,
    away_kN: NDArray[np.float64],
    expanded_kN: NDArray[np.float64],
    named: Collection[int],
) -> list[Doubt]:
    """One doubt where more of the readings (n,) lie outside U (n,) than chance allows.

    ``away_kN`` (n,) is the force by the curve less the force applied; rows ``named`` by another
    doubt count no more.
    """
    kept = ~np.isin(readings.row, list(named)) & np.isfinite(expanded_kN)
    times = np.abs(away_kN[kept]) / np.maximum(expanded_kN[kept], 1e-300)
    r = readings.pick(kept)
    outside = np.flatnonzero(times > CLEARLY)
    chance = float(special.bdtrc(len(outside) - 1, len(times), 1.0 - LEVEL))
    if not len(outside) or (chance >= CHANCE and float(np.max(times)) <= FAR):
        return []
    worst = outside[np.argsort(-times[outside], kind="stable")][:NAMED]
    told = "; ".join(
        f"row {r.row[i]}: {plain(float(r.applied[i]))} {r.force_unit}, {times[i]:.2g} times U"
        for i in worst
    )
    text = (
        f"{len(outside)} of {len(times)} readings lie farther from the curve than {CLEARLY:g} U,"
        f" the uncertainty that rests on them and should hold 95 %: worst {told}"
    )
    rows = tuple(sorted(r.row[outside].tolist()))
    return [Doubt(kind=DoubtKind.OUTSIDE, rows=rows, text=text)]
