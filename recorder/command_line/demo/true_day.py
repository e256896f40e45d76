"""What truly happened on the trial day, in the quantities that a report states.

Worked from the simulated train alone; nothing of the recording or of the analysis is in it.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import brentq

from calibration.quantities.constants import G_M_S2, KJ_PER_KWH, KM_H_PER_M_S
from simulated_feeds.outing.promise import level_pull_kN
from simulated_feeds.outing.stores import coal_kg, water_L
from simulated_feeds.physics.coarse_train import LoadTables

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from simulated_feeds.outing.trial_day import TrialDay

__all__ = ["Rate", "TrueDay", "Work"]

STEPS: Final = 100
"""Fine steps in one second."""
BITES: Final = 0.01
"""Of full braking: from there a brake is on."""


class Rate(StrEnum):
    """What has a mean over a time."""

    PULL = "pull"
    POWER = "power"
    LEVEL = "level"
    """The pull as it would be on level, straight track at constant speed."""
    LEVEL_POWER = "level power"


class Work(StrEnum):
    """What is done over a way."""

    WORK = "work"
    """At the drawbar."""
    GRADE = "grade"
    CURVE = "curve"
    ROLLING = "rolling"


class TrueDay:
    """The day on run time.

    Parameters
    ----------
    day
        Simulated.
    offset_s
        Run time at simulated time 0: below it when the recording began later.
    """

    def __init__(self, day: TrialDay, offset_s: float) -> None:
        self._day, self._offset_s = day, offset_s
        steps = int(day.seconds * STEPS) // 10 * 10
        fine = day.mover().advance(steps)
        journey = day.scenario.journey
        train = journey.train
        tables = LoadTables(journey)
        at = (fine.s_m - tables.first_m) / tables.step_m
        rows = np.arange(len(tables.grade_N[1]))
        mass_kg, davis = train.mass_kg, train.davis_N
        v = np.abs(fine.v_m_s)
        own, behind = davis[:, 0], davis[:, 1:].sum(axis=1)
        stiff = train.breakaway_N_per_t / 1000.0 * np.exp(-v / train.breakaway_m_s)
        level_N = fine.effort_N - own[0] - (own[1] + own[2] * v) * v - stiff * mass_kg[0]
        self.t_s: NDArray[np.float64] = fine.t_s + offset_s
        self.speed_m_s = v
        self.metres = fine.s_m - fine.s_m[0]
        self.pull_kN = fine.pull_N / 1000.0
        self.level_kN = level_N / 1000.0
        """Drawbar pull as it would be on level, straight track at constant speed."""
        self.brake = fine.brake
        self.trailing_t = float(mass_kg[1:].sum()) / 1000.0
        self.locomotive_t = float(mass_kg[0]) / 1000.0
        self._inertia_t = float(train.inertia_kg[1:].sum()) / 1000.0
        self._behind = behind
        rolling_N = behind[0] + (behind[1] + behind[2] * v) * v
        rolling_N += stiff * float(mass_kg[1:].sum())
        by_metre = {
            Work.WORK: self.pull_kN,
            Work.GRADE: np.interp(at, rows, tables.grade_N[1]) / 1000.0,
            Work.CURVE: np.interp(at, rows, tables.curve_N[1]) / 1000.0,
            Work.ROLLING: rolling_N / 1000.0,
        }
        self._way = {name: _summed(force, self.metres) for name, force in by_metre.items()}
        self._time = {
            Rate.PULL: _summed(self.pull_kN, self.t_s),
            Rate.POWER: _summed(self.pull_kN * v, self.t_s),
            Rate.LEVEL: _summed(self.level_kN, self.t_s),
            Rate.LEVEL_POWER: _summed(self.level_kN * v, self.t_s),
        }

    def mean(self, what: Rate, t0_s: float, t1_s: float) -> float:
        """Mean over a time."""
        low, high = np.interp([t0_s, t1_s], self.t_s, self._time[what])
        return float(high - low) / (t1_s - t0_s)

    def mean_speed(self, t0_s: float, t1_s: float) -> float:
        """By the way that was gone, m/s."""
        low, high = np.interp([t0_s, t1_s], self.t_s, self.metres)
        return float(high - low) / (t1_s - t0_s)

    def speeds_between(self, t0_s: float, t1_s: float) -> NDArray[np.float64]:
        """Every speed of a time, at even instants."""
        return self.speed_m_s[(self.t_s >= t0_s) & (self.t_s <= t1_s)]

    def done(self, what: Work, edges_s: ArrayLike) -> NDArray[np.float64]:
        """(n,) kJ between (n + 1,) instants."""
        held = np.interp(np.asarray(edges_s, np.float64), self.t_s, self._way[what])
        return np.diff(held)

    def kinetic_kJ(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """(...) energy of motion of all that trails, rotation included."""
        v = np.interp(np.asarray(t_s, np.float64), self.t_s, self.speed_m_s)
        return np.asarray(0.5 * self._inertia_t * v**2)

    def resistance_N_per_t(self, speed_km_h: float) -> float:
        """Of all that trails, on level, straight track."""
        a, b, c = self.resistance_terms
        return a + (b + c * speed_km_h) * speed_km_h

    @property
    def resistance_terms(self) -> tuple[float, float, float]:
        """A, B and C of it: N/t, N/t per km/h, N/t per (km/h)²."""
        a, b, c = (self._behind / self.trailing_t).tolist()
        return a, b / KM_H_PER_M_S, c / KM_H_PER_M_S**2

    def able_kN(self, speed_m_s: float) -> float:
        """What the locomotive pulls at full throttle on level, straight track, dry."""
        journey = self._day.scenario.journey
        return level_pull_kN(journey.engine, journey.train.vehicles[0], speed_m_s)

    def balanced_m_s(self, grade: float) -> float:
        """Balancing speed on a grade with the whole train."""
        lifting_kN = (self.locomotive_t + self.trailing_t) * G_M_S2 * grade

        def net(v: float) -> float:
            rolling = self.resistance_N_per_t(KM_H_PER_M_S * v) * self.trailing_t / 1000.0
            return self.able_kN(v) - rolling - lifting_kN

        return float(brentq(net, 1.0, 60.0))

    def load_t(self, grade: float, curvature_per_m: float, speed_m_s: float) -> float:
        """What trails at most over a grade at a speed."""
        bend = self._day.scenario.journey.train.curve_N_per_kN_m * curvature_per_m
        line_N_per_t = (1000.0 * grade + bend) * G_M_S2
        left_N = 1000.0 * self.able_kN(speed_m_s) - self.locomotive_t * line_N_per_t
        return left_N / (self.resistance_N_per_t(KM_H_PER_M_S * speed_m_s) + line_N_per_t)

    def greatest_start_kN(self, near_s: float, reached_m_s: float) -> float | None:
        """Highest mean over a second from half a second before a start near an instant until a
        speed is reached; None where there was no start."""
        began = self._began(near_s)
        if began is None:
            return None
        end = began + int(np.argmax(self.speed_m_s[began:] >= reached_m_s))
        held = self._time[Rate.PULL][began - STEPS // 2 : end + 1]
        return float((held[STEPS:] - held[:-STEPS]).max())

    def breakaway_kN(self, near_s: float) -> float | None:
        """Pull when the train began to move near an instant; None where it did not."""
        began = self._began(near_s)
        return None if began is None else float(self.pull_kN[began])

    def _began(self, near_s: float) -> int | None:
        """Row of the last instant at rest before a start."""
        moves = self.speed_m_s > 0.0
        starts = np.flatnonzero(moves[1:] & ~moves[:-1])
        if not starts.size:
            return None
        nearest = int(starts[np.argmin(np.abs(self.t_s[starts] - near_s))])
        return nearest if abs(float(self.t_s[nearest]) - near_s) < 10.0 else None

    def stop_from(self, near_s: float) -> tuple[float, float, float] | None:
        """(speed in m/s, distance in m, time in s) from when the brake went on near an instant
        to rest; None where it did not."""
        on = self.brake > BITES
        began = np.flatnonzero(on[1:] & ~on[:-1]) + 1
        if not began.size:
            return None
        first = int(began[np.argmin(np.abs(self.t_s[began] - near_s))])
        rest = np.flatnonzero(self.speed_m_s[first:] == 0.0)
        if abs(float(self.t_s[first]) - near_s) > 10.0 or not rest.size:
            return None
        last = first + int(rest[0])
        metres = float(self.metres[last] - self.metres[first])
        return float(self.speed_m_s[first]), metres, float(self.t_s[last] - self.t_s[first])

    def used(self, what: str, t0_s: float, t1_s: float) -> float:
        """kg of ``fuel`` or L of ``water`` between two instants."""
        amount = coal_kg if what == "fuel" else water_L
        ride, offset = self._day.motion, self._offset_s
        return amount(ride, t1_s - offset) - amount(ride, t0_s - offset)

    def drawn_kWh(self, t0_s: float, t1_s: float) -> float:
        """Work at the drawbar while pulling."""
        chosen = (self.t_s >= t0_s) & (self.t_s <= t1_s)
        pull = np.maximum(self.pull_kN[chosen], 0.0)
        return float(np.trapezoid(pull, self.metres[chosen])) / KJ_PER_KWH


def _summed(values: NDArray[np.float64], along: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) integral from the beginning to each instant, by the trapezium rule."""
    parts = 0.5 * np.diff(along) * (values[1:] + values[:-1])
    return np.concatenate(([0.0], np.cumsum(parts)))
