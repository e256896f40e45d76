"""The ride itself: forces balanced step by step, the truth kept for every figure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.campaigns.trial_train.driver import Driver
from tests.campaigns.trial_train.line import CELL_M, Line
from tests.campaigns.trial_train.locomotive import GRAVITY, Curve, Train

__all__ = ["STEP_S", "Ride", "ride"]

STEP_S = 0.25
LOOK_STEPS = 4
LOADING_PER_S = 0.1
UNLOADING_PER_S = 0.25
"""Share of full effort that a power unit takes up, or gives back, in a second."""
BRAKING_M_S3 = 0.06
"""How fast brakes go on and come off."""
BRAKED_M_S2 = 0.2
"""Braking a driver counts on for the next lower limit."""


@dataclass(frozen=True)
class Ride:
    """The truth, (n,) each at ``STEP_S``."""

    t_s: NDArray[np.float64]
    metres: NDArray[np.float64]
    """Chainage of the coupler."""
    speed_m_s: NDArray[np.float64]
    acceleration_m_s2: NDArray[np.float64]
    share: NDArray[np.float64]
    """Of full effort."""
    level_pull_kN: NDArray[np.float64]
    """Drawbar pull as it would be on level, straight track at constant speed."""
    pull_kN: NDArray[np.float64]
    """At the coupler, as it was."""
    brake_kN: NDArray[np.float64]
    """On the load."""
    load_grade: NDArray[np.float64]
    load_curve_kN: NDArray[np.float64]
    rolling_kN: NDArray[np.float64]
    """Of the load."""


def ride(
    line: Line, curve: Curve, train: Train, driver: Driver, *, whole: bool, start_m: float
) -> Ride:
    """Ride until the driver's time is over.

    ``whole``: one grade under the whole train, as a column of a table gives it; otherwise
    locomotive and load each stand on their own.
    """
    ground = _Ground.of(line, train, whole=whole)
    motion = _Motion(ground, curve, train, start_m)
    rows = []
    for k in range(int(driver.total_s / STEP_S)):
        if k % LOOK_STEPS == 0:
            motion.look(driver, k * STEP_S)
        rows.append(motion.step(k * STEP_S, driver.share, driver.brake))
    data = np.array(rows)
    names = list(Ride.__dataclass_fields__)
    return Ride(**{name: data[:, i] for i, name in enumerate(names)})


@dataclass(frozen=True)
class _Ground:
    """Plain lists by cell: reading one number of an array is slow."""

    own_N_per_kg: list[float]
    """Grade and curve, per unit of mass, of the locomotive."""
    load_N_per_kg: list[float]
    load_grade: list[float]
    load_curve_N_per_kg: list[float]
    limit: list[float]
    ahead: list[float]
    """Limit of the piece ahead."""
    ahead_m: list[float]

    @classmethod
    def of(cls, line: Line, train: Train, *, whole: bool) -> _Ground:
        own = (0.0, train.own_m)
        load = (train.load_m, 0.0)
        both = (train.load_m, train.own_m)
        own, load = (both, both) if whole else (own, load)
        k = train.curve_N_per_kN_m / 1000.0
        bend = line.curvature_per_m
        own_curve = GRAVITY * k * line.under(bend, *own)
        load_curve = GRAVITY * k * line.under(bend, *load)
        load_grade = line.under(line.slope, *load)
        own_all = GRAVITY * line.under(line.slope, *own) + own_curve
        nearest, distance = _piece_ahead(line.limit_m_s)
        behind = int(train.load_m / CELL_M)
        held = np.minimum.reduce([np.roll(line.limit_m_s, k) for k in range(0, behind + 1, 4)])
        return cls(
            own_all.tolist(),
            (GRAVITY * load_grade + load_curve).tolist(),
            load_grade.tolist(),
            load_curve.tolist(),
            held.tolist(),
            nearest.tolist(),
            distance.tolist(),
        )


def _piece_ahead(limit: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The limit of the next piece and how far off it begins, (n,)."""
    n = len(limit)
    edges = [*(np.flatnonzero(np.diff(limit)) + 1).tolist(), n]
    value, metres = np.empty(n), np.empty(n)
    at = 0
    for edge in edges:
        value[at:edge] = limit[edge] if edge < n else 99.0
        metres[at:edge] = (edge - np.arange(at, edge)) * CELL_M
        at = edge
    return value, metres


def _effort_tables(curve: Curve, train: Train) -> tuple[list[float], list[float], list[float]]:
    """Full drawbar pull, own resistance (kN) and load's rolling N/kg by 0.01 m/s."""
    v = np.arange(0.0, 60.0, 0.01)
    km_h = 3.6 * v
    a, b, c = curve.own_resistance
    own = (a + b * km_h + c * km_h**2) * train.own_t / 1000.0
    a, b, c = train.resistance
    rolling = (a + b * km_h + c * km_h**2) / 1000.0
    return curve.true(v).tolist(), own.tolist(), rolling.tolist()


class _Motion:
    """The train as it moves: speed, place, and how far handle and brake have been followed."""

    def __init__(self, ground: _Ground, curve: Curve, train: Train, start_m: float) -> None:
        self.ground, self.train = ground, train
        self.full, self.own, self.rolling = _effort_tables(curve, train)
        self.own_inertia = train.true_own_t * (1.0 + train.true_own_rotary)
        self.inertia = self.own_inertia + train.true_load_t * (1.0 + train.true_load_rotary)
        self.starting_kN = train.starting_N_per_t * train.true_load_t / 1000.0
        self.v, self.x, self.a, self.share, self.braked = 0.0, start_m, 0.0, 0.0, 0.0

    @property
    def cell(self) -> int:
        return min(int(self.x / CELL_M), len(self.ground.limit) - 2)

    def look(self, driver: Driver, t: float) -> None:
        ground, cell = self.ground, self.cell
        room = (self.v**2 - ground.ahead[cell] ** 2) / (2 * BRAKED_M_S2) + 150.0
        ahead = ground.ahead[cell] if ground.ahead_m[cell] < room else 99.0
        driver.look(t, self.v, self.a, ground.limit[cell], ahead)

    def step(self, t: float, wanted: float, brake: float) -> tuple[float, ...]:
        """One step; the row of the truth at its beginning."""
        up, down, brakes = (r * STEP_S for r in (LOADING_PER_S, UNLOADING_PER_S, BRAKING_M_S3))
        self.share += min(max(wanted - self.share, -down), up)
        self.braked += min(max(brake - self.braked, -brakes), brakes)
        cell, ground, v = self.cell, self.ground, self.v
        own_t, load_t = self.train.true_own_t, self.train.true_load_t
        i = int(v * 100.0 + 0.5)
        level = self.share * (self.full[i] + self.own[i]) - self.own[i]
        own_line = own_t * ground.own_N_per_kg[cell]
        roll = load_t * self.rolling[i]
        brakes = self.braked * load_t
        a = (
            level - own_line - load_t * ground.load_N_per_kg[cell] - roll - brakes
        ) / self.inertia
        a = max(a, -v / STEP_S) if v > 0.0 else max(a - self.starting_kN / self.inertia, 0.0)
        pull = level - own_line - self.own_inertia * a
        if v <= 0.0 and a == 0.0:
            # What holds the standing train takes the rest of it.
            pull, brakes = max(level + self.own[i] - max(own_line, 0.0), 0.0), 0.0
        curve = load_t * ground.load_curve_N_per_kg[cell]
        row = (t, self.x, v, a, self.share, level, pull, brakes, ground.load_grade[cell])
        self.x += v * STEP_S + 0.5 * a * STEP_S**2
        self.v, self.a = max(v + a * STEP_S, 0.0), a
        return (*row, curve, roll)
