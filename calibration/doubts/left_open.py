"""What a table of readings leaves open: said in the certificate, no reason to refuse one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from calibration.readings.readings import Readings

__all__ = ["left_open"]

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
    positions = np.unique(steps.position_deg[~np.isnan(steps.position_deg)])
    if len(positions) < len(_POSITIONS):
        found.append(_POSITIONS[len(positions)])
    if not np.any(steps.direction):
        found.append("whether the force rose or fell")
    elif not np.any(steps.direction < 0):
        found.append("falling readings")
    if np.any(np.isnan(used.temperature_C)):
        found.append("the temperature")
    if np.any(np.isnan(used.time_s)):
        found.append("when each reading was taken")
    return found
