"""Several runs side by side over the same section: differences with uncertainty.

Causes that the runs share (one certificate, one wheel) cancel in the difference; what differs
from run to run (zero, random, masses of different trains) does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from recorder.analysis.specification.performance import Band, StretchResult, bands
from recorder.analysis.uncertainty.measured import Measured

__all__ = ["Difference", "Row", "compare_bands"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One run against the first, in one band."""

    run: str
    pull: Measured
    """Equivalent pull less the first run's, kN."""
    power: Measured
    """Equivalent power less the first run's, kW."""
    per_cent: Measured
    """Pull difference as a share of the first run's pull."""
    significant: bool
    """Zero lies outside the expanded uncertainty of the pull difference."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One speed band that at least two of the runs have."""

    low_m_s: float
    high_m_s: float
    reference: Band
    differences: tuple[Difference, ...]


def compare_bands(
    runs: Sequence[tuple[str, Sequence[StretchResult]]], width_m_s: float
) -> list[Row]:
    """Compare every later run with the first, band by band.

    Raises
    ------
    ValueError
        Fewer than two runs.
    """
    if len(runs) < 2:
        msg = f"comparing wants at least two runs, got {len(runs)}"
        raise ValueError(msg)
    (_, first), *others = runs
    held = [(name, {b.low_m_s: b for b in bands(r, width_m_s)}) for name, r in others]
    rows = []
    for reference in bands(first, width_m_s):
        found = tuple(
            _difference(name, by_low[reference.low_m_s], reference)
            for name, by_low in held
            if reference.low_m_s in by_low
        )
        if found:
            rows.append(
                Row(
                    low_m_s=reference.low_m_s,
                    high_m_s=reference.high_m_s,
                    reference=reference,
                    differences=found,
                )
            )
    return rows


def _difference(name: str, band: Band, reference: Band) -> Difference:
    pull = band.pull.minus(reference.pull)
    base = reference.pull.value
    return Difference(
        run=name,
        pull=pull,
        power=band.power.minus(reference.power),
        per_cent=pull.scaled(100.0 / base if base else math.nan, "%"),
        significant=math.isfinite(pull.value) and abs(pull.value) > pull.expanded,
    )
