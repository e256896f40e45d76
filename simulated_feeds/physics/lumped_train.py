"""The train car by car: slack, draft gears, run-in and run-out.

Each vehicle is one mass; between two of them sits a coupling with free play, then a spring with
a damper that can push while pushed and pull while pulled, no more. Grade and curve are means
under each vehicle. Resistance and brake are dry friction: they stop a vehicle, never move it.
Velocities are stepped first, then positions (semi-implicit), which neither feeds nor drains
energy as long as the step is far below the couplings' period.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from simulated_feeds.physics.adhesion import Footing
from simulated_feeds.physics.driving import EngineDriver
from simulated_feeds.physics.motion import Journey, Motion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["EnergyAccount", "LumpedTrain"]

CONTROL_STEPS: Final = 10
"""Steps between looks at the line and the controls."""
_SEAT_M: Final = 0.003
"""Travel of a draft gear over which its damping comes in."""


@dataclass(slots=True)
class EnergyAccount:
    """Where the energy went, J, since the start."""

    effort: float = 0.0
    """Work of the tractive effort."""
    gravity: float = 0.0
    """Work of the weight; minus the change of potential energy."""
    friction: float = 0.0
    """Taken by resistance, curves and brakes."""
    damping: float = 0.0
    """Taken in the draft gears."""
    drawbar: float = 0.0
    """Work through the measured coupler on what trails."""


class LumpedTrain:
    """A :class:`~simulated_feeds.physics.motion.Mover`, exact to a step of 2 ms by default.

    The pull given for an instant is the one of the step that led to it.

    Parameters
    ----------
    journey
        Train, line, schedule.
    step_s
        Integration step.
    audit
        Keep a :class:`EnergyAccount`; costs a third of the speed.
    """

    def __init__(self, journey: Journey, *, step_s: float = 0.002, audit: bool = False) -> None:
        train = journey.train
        self.journey, self.step_s = journey, step_s
        self._mass = train.mass_kg
        self._inertia = train.inertia_kg
        self._length = train.length_m
        self._davis = train.davis_N
        self._full_brake = train.brake_N
        self._spring = self._coupling_rates()
        self._half_slack = 0.5 * train.slack_m
        n = self._mass.size
        self.t_step = 0
        self.v: Array = np.zeros(n)
        # Bunched: every coupling touches on the pushed side, with no force in it. Offsets are
        # from the place each vehicle has when all couplings are in mid-slack.
        self._mid = journey.start_s_m + train.offsets_m
        self.x: Array = np.arange(n, dtype=np.float64) * self._half_slack
        self.x -= self.x[1]
        behind = float(self._length[1:].sum())
        self._driver = EngineDriver(
            journey.line, journey.stops, start_s_m=journey.start_s_m,
            depart_t_s=journey.depart_t_s, ahead_m=float(self._length[0]), behind_m=behind,
            top_speed_m_s=journey.top_speed_m_s,
        )  # fmt: skip
        self._footing = Footing(journey)
        self._outer: Array = np.zeros(n)
        self._friction: Array = np.zeros(n)
        self._coupler: Array = np.zeros(n - 1)
        self._work: Array = np.zeros((3, n - 1))
        self._net: Array = np.zeros(n)
        self._controls = (0.0, 1.0, 0.0, 0.0)
        self.account = EnergyAccount() if audit else None
        self._last: tuple[float, ...] | None = None

    def _coupling_rates(self) -> tuple[Array, Array]:
        """(n−1,) stiffness N/m and damping N·s/m of each coupling."""
        train = self.journey.train
        m = self._inertia
        reduced = m[1:] * m[:-1] / (m[1:] + m[:-1])
        k = np.full(m.size - 1, train.stiffness_N_per_m)
        return k, 2.0 * train.damping_ratio * np.sqrt(k * reduced)

    @property
    def t_s(self) -> float:
        """Simulated time."""
        return self.t_step * self.step_s

    @property
    def s_m(self) -> float:
        """Chainage of the measured coupler, taken at the test car's front."""
        return float(self.journey.start_s_m + self.x[1])

    def kinetic_J(self) -> float:
        """Energy of motion, rotation included."""
        return float(0.5 * np.sum(self._inertia * self.v**2))

    def potential_J(self) -> float:
        """Energy of height, from the elevation of the line under each vehicle."""
        middle, half = self._mid + self.x, 0.5 * self._length
        line = self.journey.line
        rise = line.grade.second_integral(middle + half) - line.grade.second_integral(
            middle - half
        )
        height = line.elevation_m + rise / self._length
        return float(np.sum(self._mass * G_M_S2 * height))

    def coupler_J(self) -> float:
        """Energy held in the draft gears."""
        e = self.x[:-1] - self.x[1:]
        free = np.clip(e, -self._half_slack, self._half_slack)
        return float(0.5 * np.sum(self._spring[0] * (e - free) ** 2))

    def _look(self) -> float:
        """Controls, grade, curve and resistance for the next few steps; returns the effort."""
        dt = CONTROL_STEPS * self.step_s
        v = float(self.v[1])
        t = self.t_s
        controls = self._driver.update(t, dt, self.s_m, v, self._footing.slip_m_s)
        effort, slip = self._footing.grip(t, dt, self.s_m, float(self.v[0]), controls.throttle)
        effort *= controls.direction
        line, half = self.journey.line, 0.5 * self._length
        middle = self._mid + self.x
        rear, front = middle - half, middle + half
        slope = line.grade.mean(rear, front)
        bend = line.bend.mean(rear, front)
        weight = self._mass * G_M_S2
        self._outer = -weight * slope
        speed = np.abs(self.v)
        a, b, c = self._davis
        train = self.journey.train
        breakaway = train.breakaway_N_per_t * np.exp(-speed / train.breakaway_m_s)
        self._friction = a + (b + c * speed) * speed + breakaway * self._mass / 1000.0
        self._friction += weight * train.curve_N_per_kN_m / 1000.0 * bend
        self._friction += controls.brake * self._full_brake
        self._controls = (controls.throttle, controls.brake, effort, slip)
        return effort

    def advance(self, steps: int) -> Motion:
        """Move on so many steps, a multiple of ten."""
        if steps % CONTROL_STEPS:
            msg = f"steps must be a multiple of {CONTROL_STEPS}, got {steps}"
            raise ValueError(msg)
        columns: Array = np.empty((8, steps + 1))
        t0 = self.t_step
        first = self._last is None
        if self._last is not None:
            columns[:, 0] = self._last
        for at in range(0, steps, CONTROL_STEPS):
            self._stretch(columns[:, at + 1 : at + 1 + CONTROL_STEPS])
            if first and at == 0:
                columns[:, 0] = columns[:, 1]
                columns[0, 0], columns[2:4, 0] = 0.0, 0.0
                columns[1, 0] = self.journey.start_s_m
        self._last = tuple(columns[:, -1].tolist())
        return Motion(
            t_s=np.arange(t0, t0 + steps + 1, dtype=np.float64) * self.step_s,
            pull_N=columns[0], s_m=columns[1], v_m_s=columns[2], a_m_s2=columns[3],
            effort_N=columns[4], throttle=columns[5], brake=columns[6], slip_m_s=columns[7],
        )  # fmt: skip

    def _stretch(self, out: Array) -> None:
        """Steps between two looks at the controls; fills (8, steps)."""
        effort = self._look()
        amplitude, per_metre = self.journey.engine.ripple
        phase = 2.0 * np.pi * per_metre
        dt, x, v, net, force = self.step_s, self.x, self.v, self._net, self._coupler
        dt_m = dt / self._inertia
        free = self._friction * dt_m
        grip = -free
        for i in range(out.shape[1]):
            self._pull_couplers()
            np.copyto(net, self._outer)
            net[:-1] -= force
            net[1:] += force
            push = effort * (1.0 + amplitude * math.cos(phase * float(x[0])))
            net[0] += push
            before = v.copy() if self.account is not None else None
            v1_before = v[1]
            net *= dt_m
            v += net
            # Dry friction takes off what it can, at most all.
            np.minimum(v, free, out=net)
            np.maximum(net, grip, out=net)
            v -= net
            x += v * dt
            self.t_step += 1
            out[0, i], out[1, i], out[2, i] = force[0], x[1], v[1]
            out[3, i] = (v[1] - v1_before) / dt
            if before is not None:
                self._enter(before, push, net)
        out[1] += self.journey.start_s_m
        out[4], out[5], out[6], out[7] = (
            effort, self._controls[0], self._controls[1], self._controls[3],
        )  # fmt: skip

    def _pull_couplers(self) -> None:
        """Force in every coupling, from where and how fast the vehicles are."""
        x, v, half = self.x, self.v, self._half_slack
        stretch, play, rate = self._work
        np.subtract(x[:-1], x[1:], out=stretch)
        np.minimum(stretch, half, out=play)
        np.maximum(play, -half, out=play)
        np.subtract(stretch, play, out=stretch)
        # The damper comes in with the first millimetres: friction wedges have to seat.
        np.abs(stretch, out=play)
        play *= 1.0 / _SEAT_M
        np.minimum(play, 1.0, out=play)
        np.subtract(v[:-1], v[1:], out=rate)
        rate *= play
        rate *= self._spring[1]
        force = self._coupler
        np.multiply(stretch, self._spring[0], out=force)
        rate += force
        # It acts while the gear is engaged, and never turns push into pull.
        np.maximum(rate, 0.0, out=force, where=stretch > 0.0)
        np.minimum(rate, 0.0, out=force, where=stretch < 0.0)

    def _enter(self, before: Array, push: float, taken: Array) -> None:
        """Work of one step: force times mean velocity balances kinetic energy exactly."""
        account, dt = self.account, self.step_s
        if account is None:
            return
        mean = 0.5 * (before + self.v) * dt
        account.effort += push * float(mean[0])
        account.gravity += float(np.dot(self._outer, mean))
        account.friction += float(np.dot(taken * self._inertia / dt, mean))
        through = self._coupler * (mean[:-1] - mean[1:])
        account.damping += float(np.sum(through))
        account.drawbar += float(self._coupler[0] * mean[1])
