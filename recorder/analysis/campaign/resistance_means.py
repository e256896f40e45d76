"""The train resistance as it was measured: means of the even pieces by speed, before any fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured, pooled

if TYPE_CHECKING:
    from recorder.analysis.campaign.campaign_resistance import ResistanceObservation

__all__ = ["MeasuredResistance", "measured_resistance"]

LEAST_PIECES: Final = 2
"""One piece does not show how far pieces scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredResistance:
    """The pieces of one interval of speed."""

    low_km_h: float
    high_km_h: float
    pieces: int
    speed_km_h: float
    """Mean of the pieces."""
    resistance: Measured | None
    """Their mean, N/t; ``None`` of a single piece, whose scatter nobody sees."""


def measured_resistance(
    pieces: Sequence[ResistanceObservation], width_km_h: float
) -> tuple[MeasuredResistance, ...]:
    """Means by intervals of speed of one width, starting at zero, by rising speed."""
    held: dict[int, list[ResistanceObservation]] = {}
    for piece in pieces:
        held.setdefault(int(piece.speed_km_h // width_km_h), []).append(piece)
    return tuple(_mean(held[k], k * width_km_h, width_km_h) for k in sorted(held))


def _mean(pieces: list[ResistanceObservation], low: float, width: float) -> MeasuredResistance:
    return MeasuredResistance(
        low_km_h=low,
        high_km_h=low + width,
        pieces=len(pieces),
        speed_km_h=float(np.mean([p.speed_km_h for p in pieces])),
        resistance=_resistance(pieces) if len(pieces) >= LEAST_PIECES else None,
    )


def _resistance(pieces: list[ResistanceObservation]) -> Measured:
    """Mean with what all share (calibration, zero, mass, wheel), the scatter of the pieces about
    it, and the survey's error, which pieces on one length of line have in common.
    """
    mean = pooled([p.resistance for p in pieces], [1.0] * len(pieces))
    shared = {c: u for c, u in mean.parts.items() if c.extent is None}
    values = np.array([p.resistance.value for p in pieces])
    scatter = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    name = f"{len(pieces)} pieces at {pieces[0].speed_km_h:.1f}"
    extent = Extent(pieces[0].run, name)
    own = UncertaintyCause(CauseKind.FIT, name, extent)
    grade = UncertaintyCause(CauseKind.GRADE, name, extent)
    lengths = {
        (p.where.line, math.floor(sum(p.where.metres) / 2.0 / p.where.grade_length_m))
        for p in pieces
    }
    u_grade = max(p.where.u_grade_N_per_t for p in pieces) / math.sqrt(len(lengths))
    parts = {**shared, own: scatter, grade: u_grade}
    return Measured(mean.value, "N/t", parts, {own: float(len(pieces) - 1)})
