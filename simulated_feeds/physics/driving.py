"""The hand on the regulator: follows limits and a schedule of stops, sensibly.

Takes up slack gently, opens slowly, shuts off before braking, stops where told, waits, goes on;
sets back when the next stop lies behind. Eases off when the drivers slip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulated_feeds.physics.line import SimulatedLine

__all__ = ["Controls", "EngineDriver", "StationStop"]

_GRID_M: Final = 10.0
_RETARD_M_S2: Final = 0.16
"""Slowing for a limit or a stop."""
_BACKING_M_S: Final = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class StationStop:
    """Where the coupler is to come to rest, and for how long."""

    s_m: float
    dwell_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Controls:
    """What the driver's hands do."""

    throttle: float
    """0 … 1 of the effort available."""
    brake: float
    """0 … 1 of full braking."""
    direction: int
    """+1 towards rising chainage."""


class EngineDriver:
    """Works out throttle and brake from where the train is and how fast.

    Parameters
    ----------
    line, stops
        The last stop is for good.
    start_s_m, depart_t_s
        Where the coupler stands, and when to leave.
    ahead_m, behind_m
        Reach of the train from the coupler: limits hold for all of it.
    top_speed_m_s
        Never above this.
    """

    def __init__(
        self,
        line: SimulatedLine,
        stops: Sequence[StationStop],
        *,
        start_s_m: float,
        depart_t_s: float,
        ahead_m: float,
        behind_m: float,
        top_speed_m_s: float = 25.0,
    ) -> None:
        self._stops = list(stops)
        self._depart_t_s = depart_t_s
        self._standing = True
        self._from_m = start_s_m
        self._throttle = 0.0
        self._brake = 1.0
        self._pressure = 1.0
        self._allowed = _allowed_table(line, ahead_m, behind_m, top_speed_m_s)

    @property
    def standing(self) -> bool:
        """Waiting at a stop."""
        return self._standing

    @property
    def finished(self) -> bool:
        """Standing where the last stop was."""
        return self._standing and not self._stops

    def update(
        self, t_s: float, dt_s: float, s_m: float, v_m_s: float, slip_m_s: float
    ) -> Controls:
        """Move the controls for the next ``dt_s`` seconds."""
        if self._standing:
            if t_s < self._depart_t_s or not self._stops:
                return self._move(dt_s, 0.0, 1.0, 1)
            self._standing = False
            self._from_m = s_m
        stop = self._stops[0]
        way = 1 if stop.s_m >= self._from_m else -1
        to_go = way * (stop.s_m - s_m)
        v = way * v_m_s
        if abs(v) < 0.02 and to_go < 3.0:
            self._standing = True
            self._stops.pop(0)
            self._depart_t_s = t_s + stop.dwell_s
            return self._move(dt_s, 0.0, 1.0, way)
        throttle, brake = self._wanted(s_m, v, to_go, way)
        if slip_m_s > 0.2:
            throttle = min(throttle, 0.25)
        return self._move(dt_s, throttle, brake, way, slipping=slip_m_s > 0.2)

    def _wanted(self, s_m: float, v: float, to_go: float, way: int) -> tuple[float, float]:
        if way > 0:
            i = min(max(int(s_m / _GRID_M), 0), len(self._allowed) - 1)
            allowed = self._allowed[i]
        else:
            allowed = _BACKING_M_S
        to_stop = math.sqrt(2.0 * _RETARD_M_S2 * max(to_go - 1.0, 0.0))
        allowed = min(allowed, max(to_stop, 0.25 if to_go > 0.5 else 0.0))
        if to_go <= 0.5:
            return 0.0, 1.0
        error = allowed - v
        if error < -0.35:
            return 0.0, min(1.0, 0.12 - 0.55 * (error + 0.35))
        return min(1.0, max(0.0, 0.12 + 0.55 * error)), 0.0

    def _move(
        self, dt_s: float, throttle: float, brake: float, way: int, *, slipping: bool = False
    ) -> Controls:
        rise = 0.09 * dt_s
        fall = (1.5 if slipping else 0.25) * dt_s
        self._throttle += min(rise, max(-fall, throttle - self._throttle))
        if brake > 0.0 and not slipping:
            self._throttle = max(0.0, self._throttle - fall)
        self._brake = brake
        # Air takes its time: the cylinders follow the handle.
        tau = 2.5 if brake > self._pressure else 1.6
        self._pressure += (brake - self._pressure) * min(1.0, dt_s / tau)
        if brake == 0.0 and self._pressure < 0.02:
            self._pressure = 0.0
        return Controls(self._throttle, self._pressure, way)


def _allowed_table(
    line: SimulatedLine, ahead_m: float, behind_m: float, top_speed_m_s: float
) -> list[float]:
    """Speed allowed every 10 m, going up the chainage, slowing in time for what comes."""
    limit = np.minimum(line.limit_table(_GRID_M), top_speed_m_s)
    ahead, behind = math.ceil(ahead_m / _GRID_M), math.ceil(behind_m / _GRID_M)
    padded = np.pad(limit, (behind, ahead), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, ahead + behind + 1)
    allowed: list[float] = windows.min(axis=1).tolist()
    for i in range(len(allowed) - 2, -1, -1):
        within = math.sqrt(allowed[i + 1] ** 2 + 2.0 * _RETARD_M_S2 * _GRID_M)
        allowed[i] = min(allowed[i], within)
    return allowed
