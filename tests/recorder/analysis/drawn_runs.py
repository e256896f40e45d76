"""A train on arrays: truth known, errors drawn as they are stated."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from recorder.analysis.series.corrections import G_M_S2, Switches, correct
from recorder.analysis.series.series import GradeSource, Series
from recorder.analysis.series.train import Assumed, TrialTrain, Vehicles
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.run_basis import RunBasis
from recorder.marks.mark import Mark

TRUE_A, TRUE_B, TRUE_C = 12.0, 0.10, 0.0025
"""N/t, N/t per km/h, N/t per (km/h)²."""


@dataclass(frozen=True)
class Outing:
    """One simulated outing: what was read, what is believed, and what was true."""

    run: RunBasis
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
    u_cal, u_zero, wheel = 0.002, INSTRUMENTS.zero_u_kN, INSTRUMENTS.wheel_rel_u
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
        grade_source=GradeSource.ROUTE,
    )
    train = TrialTrain(
        locomotive=Vehicles(mass_t=loco_t, rotary=rotary),
        trailing=Vehicles(mass_t=load_t, rotary=rotary),
        assumed=assumed,
    )
    return Outing(
        run=basis("run", series, train, INSTRUMENTS),
        true_pull_kN=pull,
        true_work_kJ=float(np.sum(pull * speed) * step_s),
        full_pull_kN=(a, b),
    )


STEP_S = 0.1
CERTIFICATE = UncertaintyCause(CauseKind.CERTIFICATE, "F-1")
ZERO = UncertaintyCause(CauseKind.ZERO, "run")
WHEEL = UncertaintyCause(CauseKind.WHEEL, "W-1")
INSTRUMENTS = InstrumentUncertainty(
    pull_u_kN=lambda force: abs(force) * 0.002,
    pull_cause=CERTIFICATE,
    zero_u_kN=0.15,
    zero_cause=ZERO,
    wheel_rel_u=0.001,
    wheel_cause=WHEEL,
)


def cause(owner: str, kind: CauseKind = CauseKind.AMOUNT) -> UncertaintyCause:
    """A cause of no importance."""
    return UncertaintyCause(kind, owner)


def kN(value: float, **parts: float) -> Measured:
    """A pull with parts by any names."""
    return Measured(value, "kN", {cause(name): u for name, u in parts.items()})


def mark(kind: str, t_s: float, value: str = "") -> Mark:
    """A mark as keyed."""
    return Mark(mark_id=f"{kind}{t_s}", kind=kind, t_s=t_s, value=value)


def drawn(speed: np.ndarray, pull: np.ndarray, **changes: Any) -> Series:
    """A series drawn by hand on level, straight track, a tenth of a second a bin."""
    n = len(speed)
    level = np.zeros(n)
    series = Series(
        t_s=np.asarray((np.arange(n) + 0.5) * STEP_S, dtype=np.float64),
        step_s=STEP_S,
        pull_kN=np.asarray(pull, np.float64),
        pull_min_kN=pull - 1.0,
        pull_max_kN=pull + 1.0,
        speed_m_s=np.asarray(speed, np.float64),
        distance_m=np.cumsum(speed) * STEP_S,
        acceleration_m_s2=np.gradient(speed, STEP_S) if n > 1 else level,
        chainage_m=np.full(n, np.nan),
        locomotive_grade=level,
        trailing_grade=level,
        locomotive_curvature_per_m=level,
        trailing_curvature_per_m=level,
        flags=np.zeros(n, np.uint8),
        grade_source=GradeSource.ROUTE,
    )
    return replace(series, **changes)


def drawn_run(series: Series, *marks: Mark, train: TrialTrain | None = None) -> RunBasis:
    """A run on a drawn series."""
    return basis("run", series, train or TrialTrain(), INSTRUMENTS, marks)


def basis(
    name: str,
    series: Series,
    train: TrialTrain,
    instruments: InstrumentUncertainty,
    marks: tuple[Mark, ...] = (),
    switches: Switches | None = None,
) -> RunBasis:
    """A run of its parts, corrected."""
    return RunBasis(
        name=name,
        series=series,
        corrected=correct(series, train, switches),
        train=train,
        instruments=instruments,
        marks=marks,
    )


def binomial_band(n: int, low: float = 0.93, high: float = 0.98) -> tuple[int, int]:
    """Counts out of n that do not contradict a coverage between low and high (three sigma)."""
    spread = 3.0 * math.sqrt(n * 0.05 * 0.95)
    return math.floor(n * low - spread), math.ceil(min(n * high + spread, n))
