"""The train as one mass: for whole days on long lines.

Ten steps a second. Resistance, grade and curve are means over the whole of the locomotive, and
over the whole of what trails, with each vehicle's mass spread evenly over its length. No slack,
no vibration: the pull is what moves the trailing load.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from simulated_feeds.physics.adhesion import Footing
from simulated_feeds.physics.driving import EngineDriver
from simulated_feeds.physics.motion import Journey, Motion

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["CoarseTrain", "LoadTables"]

_TABLE_M: Final = 5.0


class LoadTables:
    """Force of grade, and resistance of curves, against where the coupler is.

    Means over the mass of the locomotive (row 0) and of what trails (row 1), every 5 m.
    """

    def __init__(self, journey: Journey) -> None:
        line, train = journey.line, journey.train
        offsets, length, mass = train.offsets_m, train.length_m, train.mass_kg
        reach = float(length.sum()) + 50.0
        self.first_m, self.step_m = -reach, _TABLE_M
        s = np.arange(-reach, line.length_m + reach, _TABLE_M)
        grade = np.zeros((2, s.size))
        curve = np.zeros((2, s.size))
        for i, (offset, span, kg) in enumerate(zip(offsets, length, mass, strict=True)):
            part = 0 if i == 0 else 1
            rear, front = s + offset - 0.5 * span, s + offset + 0.5 * span
            weight = kg * G_M_S2
            grade[part] += weight * line.grade.mean(rear, front)
            curve[part] += (
                weight * train.curve_N_per_kN_m / 1000.0 * line.bend.mean(rear, front)
            )
        self.grade_N = [row.tolist() for row in grade]
        self.curve_N = [row.tolist() for row in curve]

    def at(self, s_m: float) -> tuple[float, float, float, float]:
        """(locomotive grade, trailing grade, locomotive curve, trailing curve), N."""
        place = (s_m - self.first_m) / _TABLE_M
        i = min(max(int(place), 0), len(self.grade_N[0]) - 2)
        f = place - i
        g, c = self.grade_N, self.curve_N
        return (
            g[0][i] + f * (g[0][i + 1] - g[0][i]),
            g[1][i] + f * (g[1][i + 1] - g[1][i]),
            c[0][i] + f * (c[0][i + 1] - c[0][i]),
            c[1][i] + f * (c[1][i + 1] - c[1][i]),
        )


class CoarseTrain:
    """A :class:`~simulated_feeds.physics.motion.Mover` of one mass."""

    def __init__(self, journey: Journey, *, step_s: float = 0.1) -> None:
        train = journey.train
        self.journey, self.step_s = journey, step_s
        self._tables = LoadTables(journey)
        self._inertia = _two(train.inertia_kg)
        self._mass = _two(train.mass_kg)
        self._davis = [_two(row) for row in train.davis_N]
        self._full_brake = _two(train.brake_N)
        self._breakaway = (train.breakaway_N_per_t / 1000.0, train.breakaway_m_s)
        self._driver = EngineDriver(
            journey.line, journey.stops, start_s_m=journey.start_s_m,
            depart_t_s=journey.depart_t_s, ahead_m=float(train.length_m[0]),
            behind_m=float(train.length_m[1:].sum()), top_speed_m_s=journey.top_speed_m_s,
        )  # fmt: skip
        self._footing = Footing(journey)
        self._s, self._v, self._step = journey.start_s_m, 0.0, 0
        self._row = self._look()

    @property
    def arrived(self) -> bool:
        """Standing at the last stop, for good."""
        return self._driver.finished

    def advance(self, steps: int) -> Motion:
        """Move on so many steps."""
        rows = [self._row]
        t0, dt = self._step, self.step_s
        for _ in range(steps):
            before, a = self._v, self._row[3]
            self._v = before + a * dt
            if before * self._v < 0.0 or abs(self._v) < 1e-9:
                self._v = 0.0  # friction stops a train, it never turns it round
            self._s += 0.5 * (before + self._v) * dt
            self._step += 1
            self._row = self._look()
            rows.append(self._row)
        table: NDArray[np.float64] = np.array(rows).T
        return Motion(
            t_s=np.arange(t0, t0 + steps + 1, dtype=np.float64) * dt,
            pull_N=table[0], s_m=table[1], v_m_s=table[2], a_m_s2=table[3],
            effort_N=table[4], throttle=table[5], brake=table[6], slip_m_s=table[7],
        )  # fmt: skip

    def _look(self) -> tuple[float, ...]:
        """Forces at this instant: pull, place, speed, acceleration, effort, controls, slip."""
        v, dt = self._v, self.step_s
        controls = self._driver.update(self._step * dt, dt, self._s, v, self._footing.slip_m_s)
        effort, slip = self._footing.grip(self._step * dt, dt, self._s, v, controls.throttle)
        effort *= controls.direction
        grade0, grade1, curve0, curve1 = self._tables.at(self._s)
        speed = abs(v)
        per_kg, fades = self._breakaway
        extra = per_kg * math.exp(-speed / fades)
        drag = [
            self._davis[0][i] + (self._davis[1][i] + self._davis[2][i] * speed) * speed
            + extra * self._mass[i] + controls.brake * self._full_brake[i] + curve
            for i, curve in ((0, curve0), (1, curve1))
        ]  # fmt: skip
        driven = effort - grade0 - grade1
        most = drag[0] + drag[1]
        if v == 0.0 and abs(driven) <= most:
            # Held by friction. What the locomotive cannot hold of its effort is in the coupler;
            # with its own brake on that is nothing.
            beyond = max(effort - grade0 - drag[0], 0.0) + min(effort - grade0 + drag[0], 0.0)
            return beyond, self._s, 0.0, 0.0, effort, controls.throttle, controls.brake, slip
        way = math.copysign(1.0, v if v != 0.0 else driven)
        a = (driven - way * most) / (self._inertia[0] + self._inertia[1])
        pull = self._inertia[1] * a + grade1 + way * drag[1]
        return pull, self._s, v, a, effort, controls.throttle, controls.brake, slip


def _two(values: NDArray[np.float64]) -> tuple[float, float]:
    """Of the locomotive, and of all that trails."""
    return float(values[0]), float(values[1:].sum())
