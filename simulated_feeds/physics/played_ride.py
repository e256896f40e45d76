"""A ride of the coarse train in fine steps, with the pulsation of its engine in the coupler.

Place and speed between the coarse steps follow cubics that keep both at each step. The
pulsation reaches the coupler through the draft gear: whole while it is slow, hardly when it is
faster than the locomotive can swing on its springs.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from simulated_feeds.physics.motion import COLUMNS, Motion, refined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from simulated_feeds.physics.motion import Journey

__all__ = ["PlayedRide"]


class PlayedRide:
    """A :class:`~simulated_feeds.physics.motion.Mover` over a ride that is known already.

    Parameters
    ----------
    journey
        Whose ride it is.
    ride
        In even steps.
    finer
        Fine steps to one of the ride's.
    """

    def __init__(self, journey: Journey, ride: Motion, *, finer: int = 10) -> None:
        self._ride, self._finer = ride, finer
        self.step_s = float(ride.t_s[1] - ride.t_s[0]) / finer
        self._at = 0
        train = journey.train
        inertia = train.inertia_kg
        behind = float(inertia[1:].sum())
        self._share = behind / (behind + float(inertia[0]))
        reduced = 1.0 / (1.0 / float(inertia[0]) + 1.0 / behind)
        self._swings_Hz = np.sqrt(train.stiffness_N_per_m / reduced) / (2.0 * np.pi)
        self._damping = train.damping_ratio
        self._ripple = journey.engine.ripple

    @property
    def arrived(self) -> bool:
        """Nothing is left of the ride."""
        return self._at >= (self._ride.t_s.size - 1) * self._finer

    def advance(self, steps: int) -> Motion:
        """Move on so many steps, a multiple of ``finer``; beyond the ride the train stands."""
        if steps % self._finer:
            msg = f"steps must be a multiple of {self._finer}, got {steps}"
            raise ValueError(msg)
        first = self._at // self._finer
        last = first + steps // self._finer
        self._at += steps
        return self._pulsing(refined(self._rows(first, last), self._finer))

    def _rows(self, first: int, last: int) -> Motion:
        at = np.arange(first, last + 1)
        held = np.minimum(at, self._ride.t_s.size - 1)
        columns = {name: getattr(self._ride, name)[held] for name in COLUMNS}
        return Motion(**{**columns, "t_s": at * self.step_s * self._finer})

    def _pulsing(self, motion: Motion) -> Motion:
        amplitude, per_m = self._ripple
        ratio = np.abs(motion.v_m_s) * per_m / self._swings_Hz
        gain = 1.0 / np.hypot(1.0 - ratio**2, 2.0 * self._damping * ratio)
        wave: NDArray[np.float64] = np.cos(2.0 * np.pi * per_m * motion.s_m)
        moving = motion.v_m_s != 0.0
        added = np.where(moving, amplitude * self._share * gain * motion.effort_N * wave, 0.0)
        return replace(motion, pull_N=motion.pull_N + added)
