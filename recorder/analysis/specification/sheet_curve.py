"""The specification curve of a trip sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.specification.performance import Specification

if TYPE_CHECKING:
    from recorder.sheets import TripSheet

__all__ = ["specification_of"]


def specification_of(sheet: TripSheet | None) -> Specification | None:
    """The specification curve of a trip sheet, less its tolerance; ``None`` without one.

    A specified drawbar power without points becomes the pull ``P/V`` from 2 to 50 m/s.
    """
    told = None if sheet is None else sheet.specification
    if told is None:
        return None
    factor = 1.0 - told.tolerance_pct / 100.0
    points = list(told.points)
    if not points and told.power_kW is not None:
        points = [(float(v), told.power_kW / float(v)) for v in np.arange(2.0, 50.05, 0.1)]
    if not points:
        points = []
    return Specification(
        name=told.name,
        speed_m_s=tuple(v for v, _ in points),
        pull_kN=tuple(p * factor for _, p in points),
        starting_pull_kN=(
            None if told.starting_pull_kN is None else told.starting_pull_kN * factor
        ),
    )
