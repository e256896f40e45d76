"""What the builder promised of a locomotive: by its own law, less a known part.

So it is known by construction by how much a locomotive meets its specification.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from calibration.quantities.constants import KM_H_PER_M_S

if TYPE_CHECKING:
    from simulated_feeds.physics.locomotive import Engine
    from simulated_feeds.physics.vehicles import Vehicle

__all__ = ["PROMISE", "Promise", "level_pull_kN"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """A share of what the locomotive truly pulls on level, straight track."""

    part: float = 0.98
    speeds_km_h: tuple[float, ...] = (15.0, 25.0, 35.0, 45.0, 55.0, 65.0)
    starting_part: float = 0.9
    """Of the effort at the rim at a stand."""
    dry_rail: bool = False
    """Whether it was promised for a dry rail alone."""

    def points(self, engine: Engine, front: Vehicle) -> list[tuple[float, float]]:
        """(km/h, kN) as the trip sheet states them."""
        return [
            (v, round(self.part * level_pull_kN(engine, front, v / KM_H_PER_M_S), 1))
            for v in self.speeds_km_h
        ]

    def starting_kN(self, engine: Engine) -> float:
        """Pull promised at starting."""
        return round(self.starting_part * engine.effort_N(0.0) / 1000.0, 1)


PROMISE: Final = Promise()


def level_pull_kN(engine: Engine, front: Vehicle, speed_m_s: float) -> float:
    """Drawbar pull at full throttle on level, straight track at a constant speed: the effort at
    the rim less the locomotive's own resistance.
    """
    a, b, c = front.davis
    v = KM_H_PER_M_S * speed_m_s
    return (engine.effort_N(speed_m_s) - front.mass_t * (a + (b + c * v) * v)) / 1000.0
