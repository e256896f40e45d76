"""What a moving train hands to the devices, and what it is asked to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from simulated_feeds.physics.driving import StationStop
    from simulated_feeds.physics.line import SimulatedLine
    from simulated_feeds.physics.locomotive import Diesel, Steam
    from simulated_feeds.physics.vehicles import SimulatedTrain

__all__ = ["Journey", "Motion", "Mover"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Journey:
    """One train on one line, with a schedule."""

    line: SimulatedLine
    train: SimulatedTrain
    engine: Steam | Diesel
    stops: Sequence[StationStop]
    start_s_m: float
    """Chainage of the measured coupler at time 0."""
    depart_t_s: float = 8.0
    """Standing until then, slack bunched, no pull on the coupler."""
    rail_adhesion: float = 0.30
    """At rest."""
    top_speed_m_s: float = 25.0
    slips: Sequence[tuple[float, float, float]] = ()
    """Greasy stretches: (from time, seconds, adhesion left, 0 … 1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """A stretch of the train's life; (n,) each. Its first instant is the last of the stretch
    before, so that anything between can be interpolated."""

    t_s: NDArray[np.float64]
    """Simulated time, s, evenly spaced."""
    pull_N: NDArray[np.float64]
    """Force in the measured coupler, tension +."""
    s_m: NDArray[np.float64]
    """Chainage of the measured coupler (and the measuring wheel)."""
    v_m_s: NDArray[np.float64]
    """Speed of the test car, + up the chainage."""
    a_m_s2: NDArray[np.float64]
    effort_N: NDArray[np.float64]
    """Tractive effort at the rim, as the rail takes it."""
    throttle: NDArray[np.float64]
    brake: NDArray[np.float64]
    slip_m_s: NDArray[np.float64]
    """Rim speed of the drivers above the train's."""


class Mover(Protocol):
    """A train that moves on in steps."""

    step_s: float

    def advance(self, steps: int) -> Motion:
        """Move on so many steps; the result has ``steps + 1`` instants."""
        ...
