"""A bench of our own making: a press that applies what the plan asks, a clock wound by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from calibration.bench.bench_reading import TakenReading
from calibration.bench.plan import PlanStep, make_plan
from calibration.bench.session import BenchSession
from calibration.bench.stability import StabilityLimits
from calibration.readings.bench_settings import BenchSettings

__all__ = ["LIMITS", "Bench"]

LIMITS = StabilityLimits(window_s=1.0, drift_counts=100.0, noise_counts=100.0)


class Bench:
    """A made-up bench: a press that applies what the plan asks, a clock wound by hand."""

    def __init__(
        self,
        path: Path,
        *,
        counts_per_kN: float = 8000.0,
        settings: BenchSettings | None = None,
        plan: Sequence[PlanStep] | None = None,
        limits: StabilityLimits = LIMITS,
    ) -> None:
        self.counts_per_kN = counts_per_kN
        self.t_s = 0.0
        self.temperature_C: float | None = None
        self.utc = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
        self.rng = np.random.default_rng(3)
        self.session = BenchSession.create(
            path,
            settings=settings or BenchSettings(capacity_kN=500.0, reference_U_pct=0.02),
            plan=plan or make_plan(capacity_kN=500.0),
            limits=limits,
            seconds=2.0,
            now=lambda: self.utc,
        )

    def hold(self, force_kN: float, seconds: float, *, noise: float = 30.0) -> None:
        n = int(seconds * 50)
        t = self.t_s + (np.arange(n) + 1) / 50.0
        counts = 1000.0 + self.counts_per_kN * force_kN + self.rng.normal(0.0, noise, n)
        self.session.live.feed(t, np.round(counts))
        self.t_s = float(t[-1])
        self.utc += timedelta(seconds=seconds)

    def take(
        self, applied_kN: float | None = None, *, true_kN: float | None = None
    ) -> TakenReading:
        """A reading as the plan asks; ``true_kN`` is what the press applies in truth."""
        step = self.session.current
        assert step is not None
        force = step.applied_kN if applied_kN is None else applied_kN
        force = force if true_kN is None else true_kN
        self.begin(applied_kN, force)
        self.hold(force, 2.1)
        taken = self.session.poll()
        assert taken is not None
        return taken

    def begin(self, applied_kN: float | None = None, true_kN: float | None = None) -> None:
        """Reach the force, and wait as the plan asks: counts are gathered from now on."""
        step = self.session.current
        assert step is not None
        force = step.applied_kN if true_kN is None else true_kN
        self.hold(force, 2.0)
        self.session.start_reading(applied_kN=applied_kN, temperature_C=self.temperature_C)
        assert self.session.poll() is None
        if step.settle_s > 0.0:
            self.hold(force, step.settle_s + 0.1)
            assert self.session.poll() is None
