"""What the rail takes of the effort asked for, and the slip of the drivers when it cannot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.constants import G_M_S2
from simulated_feeds.physics.locomotive import adhesion_coefficient

if TYPE_CHECKING:
    from simulated_feeds.physics.motion import Journey

__all__ = ["Footing"]

_DRIVER_INERTIA: Final = 0.09
"""Rotating mass of drivers and rods over adhesive mass."""
_DRIVER_LIMIT: Final = 0.94
"""The driver asks for no more than this part of what the rail is seen to hold, dry or wet."""


class Footing:
    """The drivers on the rail. One state: how fast their rims run ahead of the train."""

    def __init__(self, journey: Journey) -> None:
        self._engine = engine = journey.engine
        self._journey = journey
        self._weight_N = 1000.0 * engine.adhesive_mass_t * G_M_S2
        self._inertia_kg = _DRIVER_INERTIA * 1000.0 * engine.adhesive_mass_t
        self.slip_m_s = 0.0

    def _left(self, t_s: float, s_m: float) -> float:
        """Adhesion left where a greasy rail surprises the driver, 0 … 1."""
        held = (part for begins, lasts, part in self._journey.slips
                if begins <= t_s < begins + lasts)  # fmt: skip
        places = (part for begins_m, ends_m, part in self._journey.greasy_m
                  if begins_m <= s_m < ends_m)  # fmt: skip
        return min((*held, *places), default=1.0)

    def grip(
        self, t_s: float, dt_s: float, s_m: float, v_m_s: float, throttle: float
    ) -> tuple[float, float]:
        """(effort at the rail in N, never negative; rim slip in m/s) after ``dt_s``."""
        at_rest = self._journey.adhesion_at_rest(t_s)
        dry = adhesion_coefficient(v_m_s, at_rest) * self._weight_N
        left = self._left(t_s, s_m)
        asked = throttle * self._engine.effort_N(abs(v_m_s) + self.slip_m_s)
        if self.slip_m_s == 0.0:
            asked = min(asked, _DRIVER_LIMIT * dry)
        # Sliding friction falls off with the rim's speed over the rail.
        holds = left * dry * (0.55 + 0.45 / (1.0 + self.slip_m_s / 0.6))
        if self.slip_m_s == 0.0 and asked <= holds:
            return asked, 0.0
        taken = holds
        slip = self.slip_m_s + (asked - taken) / self._inertia_kg * dt_s
        self.slip_m_s = min(max(slip, 0.0), 12.0)
        if self.slip_m_s == 0.0:
            taken = min(asked, holds)
        return taken, self.slip_m_s
