"""What stands for an effect that nobody measured: wide enough that measuring never widens it.

A bound comes from the maker's data sheet where stated, else from the coarsest class of ISO 376
(class 2; limits from memory of the 2011 edition), else from the trade. It is taken as though the
effect had been measured and found at the bound, with as few repeats as a measurement may have:
so a calibration that leaves a measurement out never states less than one that made it, for any
cell that keeps within the bound.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

__all__ = [
    "CREEP_PCT",
    "FEWEST_POSITIONS",
    "FEWEST_SERIES",
    "FRICTION",
    "FRICTION_LOOP_PCT",
    "REFERENCE_AWAY_K",
    "REFERENCE_PCT_PER_K",
    "REVERSIBILITY_PCT",
    "ROTATION_PCT",
    "SERVICE_AWAY_K",
    "STABILITY_PCT_PER_YEAR",
    "TEMPERATURE_PCT_PER_K",
    "ZERO_PCT",
]

ROTATION_PCT: Final = 0.40
"""Largest less smallest over positions, % of reading: b of ISO 376 class 2 (from memory)."""
ZERO_PCT: Final = 0.10
"""Change of zero over a series, % of the largest force: f₀ of ISO 376 class 2 (from memory)."""
REVERSIBILITY_PCT: Final = 0.50
"""Falling less rising reading, % of reading: v of ISO 376 class 2 (from memory)."""
CREEP_PCT: Final = 0.20
"""Change from 30 s to 300 s, % of the force held: c of ISO 376 class 2 (from memory)."""
FRICTION: Final = ("capsule", "draft spring")
"""Elements whose loop is friction and as wide at zero as at half load."""
FRICTION_LOOP_PCT: Final = 2.0
"""Loop of such an element, % of the largest force (from experience: seals and leaves that are
kept in order stay within it)."""
TEMPERATURE_PCT_PER_K: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "strain-gauged cell": (0.01, 0.01),
        "strain-gauged coupler": (0.02, 0.05),
        "capsule": (0.05, 0.02),
        "draft spring": (0.02, 0.04),
    }
)
"""Effect of temperature on zero (% of the largest force per K) and on span (% of reading per K),
by element; from experience. Bought cells are compensated; a bridge on a coupler is not: steel
loses about 0.03 % of its modulus per K and gauges gain about 0.01 %. Oil expands against its
diaphragm; a spring's modulus is steel's."""
SERVICE_AWAY_K: Final = 20.0
"""Service temperatures not stated: so far either side of the bench's (from experience)."""
REFERENCE_PCT_PER_K: Final = 0.005
"""Temperature coefficient of a reference that states none, % of reading per K (from experience: a
compensated transfer standard stays within it; dead weights have 0, which is to be stated)."""
REFERENCE_AWAY_K: Final = 2.0
"""How far from its own temperature a reference is used, where that is not stated (common
practice: a laboratory keeps within it)."""
STABILITY_PCT_PER_YEAR: Final = 0.1
"""Change of sensitivity, % of reading for each year of validity (from experience)."""
FEWEST_POSITIONS: Final = 3
"""Positions from which the effect of mounting counts as measured: as ISO 376 has it."""
FEWEST_SERIES: Final = 3
"""Series with a zero before and after from which shifts of the zero count as measured (common
practice: Student's factor for fewer is wider than any bound)."""
