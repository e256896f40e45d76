"""What a table of readings leaves open: said in the certificate, no reason to refuse one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.readings.load_series import force_levels
from calibration.readings.positions import by_position

if TYPE_CHECKING:
    from calibration.readings.readings import Readings

__all__ = ["left_open"]

NAMED: Final = 3
"""So many forces and zeros are named."""
_POSITIONS = (
    "the position of the cell in the press",
    "a second and a third position of the cell",
    "a third position of the cell",
)


def left_open(readings: Readings) -> list[str]:
    """What neither column nor reading shows, in words; empty for a whole programme."""
    used = readings.pick(readings.used)
    steps = used.pick((used.applied != 0.0) & ~used.held)
    found = []
    if not readings.series_names:
        found.append("which series a reading belongs to")
    positions = len(by_position(steps.position_deg.tolist()))
    if positions < len(_POSITIONS):
        found.append(_POSITIONS[positions])
    if not np.any(steps.direction):
        found.append("whether the force rose or fell")
    elif not np.any(steps.direction < 0):
        found.append("falling readings")
    found += _bare(used, steps)
    if np.any(np.isnan(used.temperature_C)):
        found.append("the temperature")
    if np.any(np.isnan(used.time_s)):
        found.append("when each reading was taken")
    return found


def _bare(used: Readings, steps: Readings) -> list[str]:
    """Forces and zeros that other series have and one has not, the first few by name."""
    found = []
    for series, name in enumerate(used.series_names):
        own = steps.series == series
        for sign in np.unique(np.sign(steps.applied[own])):
            rising = (steps.direction > 0) & (np.sign(steps.applied) == sign)
            if not np.any(rising & own):
                continue
            levels, level_of = force_levels(steps.applied[rising])
            lacking = np.setdiff1d(level_of, level_of[own[rising]])
            found += [f"{levels[k]:.6g} {used.force_unit} in series {name}" for k in lacking]
        loaded = np.flatnonzero((used.series == series) & (used.applied != 0.0) & ~used.held)
        zeros = np.flatnonzero((used.series == series) & (used.applied == 0.0) & ~used.held)
        if len(loaded) and np.any(used.applied == 0.0):
            before, after = np.any(zeros < loaded[0]), np.any(zeros > loaded[-1])
            found += [] if before else [f"the zero before series {name}"]
            found += [] if after else [f"the zero after series {name}"]
    rest = len(found) - NAMED
    return [*found[:NAMED], *([f"and {rest} more forces and zeros"] if rest > 0 else [])]
