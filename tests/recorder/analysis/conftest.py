"""A train on arrays: truth known, errors drawn as the evidence states them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from recorder.analysis.series.corrections import G_M_S2
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import Assumed, Train
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty

TRUE_A, TRUE_B, TRUE_C = 12.0, 0.10, 0.0025
"""N/t, N/t per km/h, N/t per (km/h)²."""


@dataclass(frozen=True)
class Outing:
    """One simulated outing: what was read, what is believed, and what was true."""

    series: Series
    train: Train
    evidence: InstrumentUncertainty
    true_pull_kN: np.ndarray
    true_work_kJ: float
    full_pull_kN: tuple[float, float]
    """Equivalent pull is a − b·v: the locomotive's true curve."""


def make_outing(
    seed: int, *, shortfall: float = 0.0, step_s: float = 0.5, hours: float = 1.0
) -> Outing:
    """Level-speed plateaus over changing grades, with every stated error drawn once."""
    rng = np.random.default_rng(seed)
    assumed = Assumed(mass_rel=0.01, rotary=0.01, grade=0.0002, curve_rel=0.25)
    loco_t, load_t, rotary = 150.0, 1000.0, 0.05
    n = int(hours * 3600 / step_s)
    t = np.asarray((np.arange(n) + 0.5) * step_s, dtype=np.float64)
    plateau = 180.0
    index = (t // plateau).astype(int)
    targets = rng.uniform(4.0, 20.0, index[-1] + 2)
    speed = np.empty(n)
    v = targets[0]
    for i in range(n):
        v += np.clip(targets[index[i]] - v, -0.12 * step_s, 0.12 * step_s)
        speed[i] = v
    acceleration = np.gradient(speed, step_s)
    a, b = 160.0 * (1.0 - shortfall), 4.0 * (1.0 - shortfall)
    equivalent = a - b * speed
    kmh = speed * 3.6
    resistance = load_t * (TRUE_A + TRUE_B * kmh + TRUE_C * kmh**2) / 1000.0
    # Grade is what makes full effort balance: the profile follows from the driving.
    true_loco = loco_t * (1.0 + rng.standard_normal() * assumed.mass_rel)
    true_load = load_t * (1.0 + rng.standard_normal() * assumed.mass_rel)
    resistance *= true_load / load_t
    own_inertia = true_loco * (1.0 + rotary + rng.standard_normal() * assumed.rotary)
    load_inertia = true_load * (1.0 + rotary + rng.standard_normal() * assumed.rotary)
    grade = (equivalent - resistance - (own_inertia + load_inertia) * acceleration) / (
        (true_loco + true_load) * G_M_S2
    )
    pull = equivalent - true_loco * G_M_S2 * grade - own_inertia * acceleration
    # Survey error: one draw for each stretch of line, as the assumption states it.
    piece = index
    survey = rng.standard_normal(piece[-1] + 1)[piece] * assumed.grade
    u_cal, u_zero, wheel = 0.002, 0.15, 0.001
    noise = np.convolve(rng.standard_normal(n + 8), np.ones(9) / 3.0, "valid") * 1.0
    read = pull * (1.0 + rng.standard_normal() * u_cal) + rng.standard_normal() * u_zero + noise
    scale = 1.0 + rng.standard_normal() * wheel
    nothing = np.zeros(n)
    series = Series(
        t_s=t,
        step_s=step_s,
        pull_kN=read,
        pull_min_kN=read - 1.0,
        pull_max_kN=read + 1.0,
        speed_m_s=speed * scale,
        distance_m=np.cumsum(speed) * step_s * scale,
        acceleration_m_s2=acceleration * scale,
        chainage_m=np.cumsum(speed) * step_s,
        locomotive_grade=grade + survey,
        trailing_grade=grade + survey,
        locomotive_curvature_per_m=nothing,
        trailing_curvature_per_m=nothing,
        flags=np.zeros(n, np.uint8),
        grade_source="route",
    )
    train = Train(
        locomotive_mass_t=loco_t,
        locomotive_rotary=rotary,
        trailing_mass_t=load_t,
        trailing_rotary=rotary,
        assumed=assumed,
    )
    evidence = InstrumentUncertainty(
        pull_u_kN=lambda force: abs(force) * u_cal,
        pull_cause="certificate",
        zero_u_kN=u_zero,
        zero_cause="zero",
        wheel_rel_u=wheel,
        wheel_cause="wheel",
    )
    return Outing(
        series=series,
        train=train,
        evidence=evidence,
        true_pull_kN=pull,
        true_work_kJ=float(np.sum(pull * speed) * step_s),
        full_pull_kN=(a, b),
    )


@pytest.fixture
def outing() -> Outing:
    """One outing."""
    return make_outing(1)


def binomial_band(n: int, low: float = 0.93, high: float = 0.98) -> tuple[int, int]:
    """Counts out of n that do not contradict a coverage between low and high (three sigma)."""
    spread = 3.0 * math.sqrt(n * 0.05 * 0.95)
    return math.floor(n * low - spread), math.ceil(min(n * high + spread, n))
