"""A bench of our own making: a press that applies what the plan asks, a clock wound by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.bench.session_file import TakenReading
from calibration.bench.stability import StabilityLimits
from calibration.readings.bench_settings import BenchSettings

__all__ = ["LIMITS", "Bench"]

LIMITS = StabilityLimits(window_s=1.0, drift_counts=100.0, noise_counts=100.0)


class Bench:
    """A made-up bench: a press that applies what the plan asks, a clock wound by hand."""

    def __init__(self, path: Path, *, session: BenchSession | None = None) -> None:
        self.t_s = 0.0
        self.utc = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
        self.rng = np.random.default_rng(3)
        self.session = session or BenchSession.create(
            path,
            settings=BenchSettings(capacity_kN=500.0, reference_U_pct=0.02),
            plan=make_plan(capacity_kN=500.0),
            limits=LIMITS,
            seconds=2.0,
            now=lambda: self.utc,
        )

    def hold(self, force_kN: float, seconds: float, *, noise: float = 30.0) -> None:
        n = int(seconds * 50)
        t = self.t_s + (np.arange(n) + 1) / 50.0
        counts = 1000.0 + 8000.0 * force_kN + self.rng.normal(0.0, noise, n)
        self.session.live.feed(t, np.round(counts))
        self.t_s = float(t[-1])
        self.utc += timedelta(seconds=seconds)

    def take(self, applied_kN: float | None = None) -> TakenReading:
        step = self.session.current
        assert step is not None
        force = step.applied_kN if applied_kN is None else applied_kN
        self.hold(force, 2.0)
        self.session.start_reading(applied_kN=applied_kN)
        assert self.session.poll() is None
        self.hold(force, 2.1)
        taken = self.session.poll()
        assert taken is not None
        return taken
