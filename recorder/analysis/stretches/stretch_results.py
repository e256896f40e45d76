"""Equivalent pull, power and margin of each stretch; whether it is judged comes later."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.filters import mean_known
from recorder.analysis.series.train import Side
from recorder.analysis.stretches.admission_record import Admission
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.uncertainty.causes import Extent
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.stretch_means import corrected_pull, mean_speed, with_slip

if TYPE_CHECKING:
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["StretchResult", "measure_stretches"]


_NOTHING_ASKED: Final = Admission()


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchResult:
    """Figures of one steady stretch."""

    extent: Extent
    """Run and stretch, as the causes of its own uncertainty name them."""
    stretch: Stretch
    speed: Measured
    pull: Measured
    """Equivalent drawbar pull, kN."""
    power: Measured
    """Equivalent drawbar power, kW."""
    margin: Measured | None
    """Pull less specified pull at the same speeds, kN; ``None`` outside the specification.
    Stated for refused stretches, too: only :attr:`judged` ones count."""
    limit_kN: float = math.nan
    ridden_m_s: tuple[float, float] = (math.nan, math.nan)
    """Least and greatest speed."""
    admission: Admission = _NOTHING_ASKED

    @property
    def judged(self) -> bool:
        """Admitted to judgement, at a specified speed."""
        return self.margin is not None and self.admission.admitted


def measure_stretches(
    run: RunBasis, stretches: Sequence[Stretch], specification: Specification | None
) -> list[StretchResult]:
    """Figures of each stretch, with every cause of uncertainty; unknown where the pull is."""
    if specification is not None and not specification.speed_m_s:
        specification = None
    results = []
    for stretch in stretches:
        extent = Extent(run.name, stretch.name)
        pull = corrected_pull(run, stretch.span, extent, Side.LOCOMOTIVE)
        speed = mean_speed(run, stretch.span, extent)
        speeds = np.abs(run.series.speed_m_s[stretch.span])
        margin, limit = _margin(run, stretch.span, pull, specification)
        results.append(
            StretchResult(
                extent=extent,
                stretch=stretch,
                speed=speed,
                pull=pull,
                power=pull.times(speed, "kW"),
                margin=margin,
                limit_kN=limit,
                ridden_m_s=(float(np.nanmin(speeds)), float(np.nanmax(speeds))),
            )
        )
    return results


def _margin(
    run: RunBasis, span: slice, pull: Measured, specification: Specification | None
) -> tuple[Measured | None, float]:
    """Margin and mean limit over the speeds of a stretch; none unless all lie inside."""
    if specification is None:
        return None, math.nan
    if not math.isfinite(pull.value):
        return None, math.nan
    # Of the very bins that the pull is the mean of.
    known = np.isfinite(run.corrected.equivalent_pull_kN[span])
    speeds = np.where(known, np.abs(run.series.speed_m_s[span]), np.nan)
    limits = specification.limits_kN(speeds)
    if not np.isfinite(limits).any() or np.isnan(limits[np.isfinite(speeds)]).any():
        return None, math.nan
    limit = mean_known(limits)
    v = mean_known(speeds)
    # A wheel that reads fast compares with a point too far along the specification.
    slope = specification.slope(v)
    moved = -slope * v * run.instruments.wheel_rel_u
    margin = pull.shifted(-limit).with_part(run.instruments.wheel_cause, moved)
    return with_slip(margin, run, span, -slope), limit
