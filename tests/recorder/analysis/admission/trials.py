"""Trials drawn by hand: a locomotive whose pull is a known share of its specification."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from recorder.analysis.admission.admit import admit
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.stretches.admission_record import CriterionKind
from recorder.analysis.stretches.cutting import cut_run
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch_results import StretchResult, measure_stretches
from recorder.marks.mark import Mark
from recorder.sheets import TripSheet
from tests.recorder.analysis.drawn_runs import drawn, drawn_run, mark

SPEEDS = np.linspace(2.0, 25.0, 47)
SPECIFICATION = Specification(
    name="curve", speed_m_s=tuple(SPEEDS), pull_kN=tuple(160.0 - 4.0 * SPEEDS)
)
TRAIN = TrialTrain(locomotive=Vehicles(mass_t=120.0), trailing=Vehicles(mass_t=800.0))
STEP_S = 1.0


def results_of(
    speed: np.ndarray,
    share: np.ndarray | float,
    *marks: Mark,
    specification: Specification = SPECIFICATION,
    train: TrialTrain = TRAIN,
    trip: TripSheet | None = None,
    seed: int = 1,
    **changes: Any,
) -> list[StretchResult]:
    """Admission of a run on level track whose pull is a share (n,) of the specified one."""
    noise = np.random.default_rng(seed).normal(0.0, 0.3, len(speed))
    equivalent = specification.limits_kN(np.clip(speed, 2.0, 25.0)) * share + noise
    mass = train.locomotive.mass_t or 0.0
    inertia = mass * (1.0 + train.locomotive.rotary) * np.gradient(speed, STEP_S)
    series = replace(drawn(speed, equivalent - inertia, step_s=STEP_S), **changes)
    run = drawn_run(series, *marks, train=train)
    measured = measure_stretches(run, cut_run(series, marks), specification)
    return admit(run, measured, specification, trip)


def full(*times_s: float, closed_s: float | None = None) -> tuple[Mark, ...]:
    """Throttle keyed full at some instants, and closed at the end."""
    marks = [mark("throttle", t, "full") for t in times_s]
    return (*marks, *([mark("throttle", closed_s, "closed")] if closed_s is not None else []))


def seconds(results: Sequence[StretchResult], *, judged: bool = True) -> float:
    """How long the judged (or the refused) stretches are together."""
    return sum(r.stretch.seconds for r in results if r.judged is judged)


def refused_by(result: StretchResult) -> set[CriterionKind]:
    """What refuses a stretch."""
    return {c.kind for c in result.admission.criteria if c.refuses}


def at(results: Sequence[StretchResult], t_s: float) -> StretchResult:
    """The stretch at an instant."""
    (found,) = [r for r in results if r.stretch.t_start_s <= t_s < r.stretch.t_end_s]
    return found
