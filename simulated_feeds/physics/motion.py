"""What a moving train hands to the devices, and what it is asked to do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from simulated_feeds.physics.driving import StationStop
    from simulated_feeds.physics.line import SimulatedLine
    from simulated_feeds.physics.locomotive import Diesel, Steam
    from simulated_feeds.physics.vehicles import SimulatedTrain

__all__ = ["COLUMNS", "Journey", "Motion", "Mover", "joined", "refined"]


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
    greasy_m: Sequence[tuple[float, float, float]] = ()
    """The same by place: (from chainage, to chainage, adhesion left, 0 … 1)."""
    wet_from_s: float = math.inf
    """When rain wets the rail, to the end; the driver sees it, and asks for less."""
    wet_left: float = 1.0
    """Adhesion that a wet rail leaves of a dry one."""

    def adhesion_at_rest(self, t_s: float) -> float:
        """What the rail holds at rest at a time, as everybody can see."""
        return self.rail_adhesion * (self.wet_left if t_s >= self.wet_from_s else 1.0)


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


COLUMNS: Final = (
    "t_s", "pull_N", "s_m", "v_m_s", "a_m_s2", "effort_N", "throttle", "brake", "slip_m_s",
)  # fmt: skip


def joined(parts: Sequence[Motion]) -> Motion:
    """Stretches that follow each other as one."""
    first, *rest = parts
    columns = {
        name: np.concatenate([getattr(first, name), *(getattr(p, name)[1:] for p in rest)])
        for name in COLUMNS
    }
    return Motion(**columns)


def refined(motion: Motion, factor: int) -> Motion:
    """Place and speed between the steps, by cubics that keep both at each step."""
    if factor == 1:
        return motion
    n = motion.t_s.size - 1
    h = float(motion.t_s[1] - motion.t_s[0])
    u = np.arange(factor) / factor
    s0, s1 = motion.s_m[:-1, None], motion.s_m[1:, None]
    v0, v1 = motion.v_m_s[:-1, None] * h, motion.v_m_s[1:, None] * h
    a = s0 + u * (v0 + u * (3.0 * (s1 - s0) - 2.0 * v0 - v1 + u * (v0 + v1 - 2.0 * (s1 - s0))))
    t = motion.t_s[0] + np.arange(n * factor + 1) * (h / factor)
    s = np.append(a.ravel(), motion.s_m[-1])
    others = {
        name: np.interp(t, motion.t_s, getattr(motion, name))
        for name in ("pull_N", "v_m_s", "a_m_s2", "effort_N", "throttle", "brake", "slip_m_s")
    }
    return Motion(t_s=t, s_m=s, **others)


class Mover(Protocol):
    """A train that moves on in steps."""

    step_s: float

    def advance(self, steps: int) -> Motion:
        """Move on so many steps; the result has ``steps + 1`` instants."""
        ...
