"""A train on arrays: truth known, errors drawn as they are stated."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calibration.quantities.constants import G_M_S2
from recorder.analysis.series.corrections import Switches, correct
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


TRUE_LOCOMOTIVE_T, TRUE_LOAD_T, ROTARY = 150.0, 1000.0, 0.05
ASSUMED = Assumed(mass_rel=0.01, rotary=0.01, grade=0.0002, curve_rel=0.25)
PLATEAU_S = 180.0


def plateaus(rng: np.random.Generator, t_s: np.ndarray, step_s: float) -> np.ndarray:
    """Speed (n,) m/s: level plateaus, with a steady change from one to the next."""
    index = (t_s // PLATEAU_S).astype(int)
    targets = rng.uniform(4.0, 20.0, index[-1] + 2)
    speed, v, most = [], float(targets[0]), 0.12 * step_s
    for target in targets[index].tolist():
        v += min(max(target - v, -most), most)
        speed.append(v)
    return np.array(speed)


def balanced(
    rng: np.random.Generator, speed: np.ndarray, acceleration: np.ndarray, full: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Grade that makes full effort balance, and the pull then at the coupler.

    The profile follows from the driving. Masses and rotary shares are drawn as assumed.
    """
    km_h = speed * 3.6
    mass = 1.0 + rng.standard_normal(2) * ASSUMED.mass_rel
    own_t, load_t = TRUE_LOCOMOTIVE_T * mass[0], TRUE_LOAD_T * mass[1]
    turning = 1.0 + ROTARY + rng.standard_normal(2) * ASSUMED.rotary
    own_inertia, load_inertia = own_t * turning[0], load_t * turning[1]
    resistance = load_t * (TRUE_A + TRUE_B * km_h + TRUE_C * km_h**2) / 1000.0
    free = full - resistance - (own_inertia + load_inertia) * acceleration
    grade = free / ((own_t + load_t) * G_M_S2)
    return grade, full - own_t * G_M_S2 * grade - own_inertia * acceleration


def make_outing(
    seed: int, *, shortfall: float = 0.0, step_s: float = 0.5, hours: float = 1.0
) -> Outing:
    """Level-speed plateaus over changing grades, with every stated error drawn once."""
    rng = np.random.default_rng(seed)
    n = int(hours * 3600 / step_s)
    t = np.asarray((np.arange(n) + 0.5) * step_s, dtype=np.float64)
    speed = plateaus(rng, t, step_s)
    acceleration = np.gradient(speed, step_s)
    a, b = 160.0 * (1.0 - shortfall), 4.0 * (1.0 - shortfall)
    grade, pull = balanced(rng, speed, acceleration, a - b * speed)
    # Survey error: one draw for each stretch of line, as the assumption states it.
    piece = (t // PLATEAU_S).astype(int)
    surveyed = grade + rng.standard_normal(piece[-1] + 1)[piece] * ASSUMED.grade
    noise = np.convolve(rng.standard_normal(n + 8), np.ones(9) / 3.0, "valid") * 1.0
    zero = rng.standard_normal() * INSTRUMENTS.zero_u_kN
    read = pull * (1.0 + rng.standard_normal() * 0.002) + zero + noise
    scale = 1.0 + rng.standard_normal() * INSTRUMENTS.wheel_rel_u
    series = replace(
        drawn(speed * scale, read, step_s=step_s),
        acceleration_m_s2=acceleration * scale,
        chainage_m=np.cumsum(speed) * step_s,
        locomotive_grade=surveyed,
        trailing_grade=surveyed,
    )
    train = TrialTrain(
        locomotive=Vehicles(mass_t=TRUE_LOCOMOTIVE_T, rotary=ROTARY),
        trailing=Vehicles(mass_t=TRUE_LOAD_T, rotary=ROTARY),
        assumed=ASSUMED,
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


def drawn(
    speed: np.ndarray, pull: np.ndarray, *, step_s: float = STEP_S, **changes: Any
) -> Series:
    """A series drawn by hand on level, straight track, a tenth of a second a bin."""
    n = len(speed)
    level = np.zeros(n)
    series = Series(
        t_s=np.asarray((np.arange(n) + 0.5) * step_s, dtype=np.float64),
        step_s=step_s,
        pull_kN=np.asarray(pull, np.float64),
        pull_min_kN=pull - 1.0,
        pull_max_kN=pull + 1.0,
        speed_m_s=np.asarray(speed, np.float64),
        distance_m=np.cumsum(speed) * step_s,
        acceleration_m_s2=np.gradient(speed, step_s) if n > 1 else level,
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
