"""What the simulated locomotive burns and evaporates: by the work at its rims, and by the hour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KJ_PER_KWH

if TYPE_CHECKING:
    from simulated_feeds.physics.motion import Motion

__all__ = ["coal_kg", "water_L"]

COAL_KG_PER_KWH: Final = 1.5
"""Of work at the rim; a good freight engine on good coal (from experience)."""
COAL_KG_PER_H: Final = 120.0
"""To keep the fire and the pressure."""
WATER_L_PER_KWH: Final = 10.5
WATER_L_PER_H: Final = 350.0


def _rim_kWh(ride: Motion, until_s: float) -> float:
    t, power = ride.t_s, ride.effort_N * np.abs(ride.v_m_s) / 1000.0
    kept = t <= until_s
    return float(np.trapezoid(power[kept], t[kept])) / KJ_PER_KWH


def coal_kg(ride: Motion, until_s: float) -> float:
    """Burnt since the ride began."""
    return COAL_KG_PER_KWH * _rim_kWh(ride, until_s) + COAL_KG_PER_H * until_s / 3600.0


def water_L(ride: Motion, until_s: float) -> float:
    """Evaporated since the ride began."""
    return WATER_L_PER_KWH * _rim_kWh(ride, until_s) + WATER_L_PER_H * until_s / 3600.0
