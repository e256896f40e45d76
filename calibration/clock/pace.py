"""How far a device's clock is off, from the slope of lateness: in numbers and in words."""

from __future__ import annotations

import math
from typing import Final

__all__ = [
    "NO_CRYSTAL",
    "OSCILLATOR",
    "another",
    "crystal",
    "fast_by",
    "no_crystal",
    "off_words",
]

NO_CRYSTAL: Final = 200e-6
"""A clock further off than this is no crystal's: told, and followed all the same, s/s."""
OSCILLATOR: Final = 0.06
"""No device is sold whose clock is further off, s/s (RC oscillators: some per cent; common
practice)."""
LEAST_PACE: Final = 1e-3
"""Run seconds in a second of the device, at the least: slower ticks are told as this."""
SIGMAS: Final = 3.0
ALIKE: Final = 0.1
"""Of a rate that was told: nearer than that it need not be told again."""
LEAST_TOLD_PCT: Final = 1e-3


def fast_by(rate: float) -> float:
    """How much faster a device's clock runs, s/s, whose lateness rises by ``rate`` a second of its
    own: (1 + rate) run seconds are one of its seconds."""
    return 1.0 / max(1.0 + rate, LEAST_PACE) - 1.0


def no_crystal(rate: float, u_rate: float) -> bool:
    """Whether a rate is surely none that a crystal can have."""
    return abs(rate) - SIGMAS * u_rate > NO_CRYSTAL


def crystal(rate: float, u_rate: float) -> bool:
    """Whether a rate is surely one that a crystal can have."""
    return abs(rate) + SIGMAS * u_rate < NO_CRYSTAL


def another(rate: float, u_rate: float, told: tuple[float, float]) -> bool:
    """Whether a rate and its uncertainty are surely not what was told."""
    before, u_before = told
    return abs(rate - before) > max(SIGMAS * math.hypot(u_rate, u_before), ALIKE * abs(before))


def off_words(rate: float, u_rate: float) -> str:
    """What the crew is told of a clock that is no crystal's; with twice its uncertainty, where a
    figure as it is written does not hold it.
    """
    fast, u_pct = fast_by(rate), 200.0 * u_rate
    sure = f" ± {u_pct:.1g}" if u_pct > LEAST_TOLD_PCT else ""
    how = "fast" if fast > 0.0 else "slow"
    return (
        f"its clock runs {100.0 * abs(fast):.3g}{sure} % {how} against the"
        " computer's; times, speed and power go by the rate found"
    )
