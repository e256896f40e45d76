"""Capsules and draft springs of known friction, drawn, and the tables a bench would write.

Statics of the element (from experience): an element of gain G held by friction f shows
``x = (F − P ∓ f)/G``, the upper sign while the force rises.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

HEAD = "series,position_deg,direction,applied_kN,{reading},time_s\n"


@dataclass(frozen=True, kw_only=True)
class MadeElement:
    """A straight element with friction."""

    kN_per_unit: float
    friction_kN: float
    friction_share: float
    """kN for each kN of force."""
    preload_kN: float = 0.0
    noise: float = 0.0
    """Standard deviation of a reading, unit of reading."""
    mounting: float = 0.0
    """Standard deviation of the gain from mounting to mounting, relative."""
    bend: float = 0.0
    """Of the curve at full scale, relative."""
    capacity_kN: float = 200.0

    def indication(self, force: float, direction: float) -> float:
        """Reading at a force (kN) that rises (+1) or falls (−1)."""
        held = direction * (self.friction_kN + self.friction_share * force)
        moved = max(force - self.preload_kN - held, 0.0) if force > 0.0 else 0.0
        share = moved / self.capacity_kN
        return moved / self.kN_per_unit * (1.0 + self.bend * share)

    def table(
        self, rng: np.random.Generator, *, levels: int = 10, reading: str = "reading",
        lowest: float = 0.0, digits: Callable[[float], float] = lambda value: round(value, 3),
    ) -> str:  # fmt: skip
        """The programme: two rising series at 0°, rising and falling at 120° and 240°."""
        lines, clock = [], 0.0
        forces = lowest + (self.capacity_kN - lowest) * np.arange(1, levels + 1) / levels

        def add(series: str, position: int, word: str, force: float, value: float) -> None:
            nonlocal clock
            clock += 30.0
            shown = digits(value + rng.normal(0.0, self.noise or 1e-12))
            lines.append(f"{series},{position},{word},{force:g},{shown},{clock:g}")

        gains = 1.0 + rng.normal(0.0, self.mounting or 1e-15, 3)
        for name, place in (("X1", 0), ("X2", 0), ("X3", 1), ("X5", 2)):
            add(name, 120 * place, "up", 0.0, 0.0)
            for force in forces:
                value = gains[place] * self.indication(force, 1.0)
                add(name, 120 * place, "up", force, value)
            for force in forces[-2::-1] if place else ():
                value = gains[place] * self.indication(force, -1.0)
                add(name, 120 * place, "down", force, value)
            add(name, 120 * place, "down", 0.0, 0.0)
        return HEAD.format(reading=reading) + "\n".join(lines) + "\n"
