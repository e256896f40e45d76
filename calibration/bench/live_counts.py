"""The live counts of a bench session: the cell, and the reference cell beside it."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import numpy as np

from calibration.bench.session_file import BenchError
from calibration.bench.stability import SignalWindow, Stability, StabilityLimits, WindowMean
from calibration.certificates.force import ForceCertificate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["LiveCounts"]


class LiveCounts:
    """Fed from one thread, asked from another."""

    def __init__(self, limits: StabilityLimits, reference: ForceCertificate | None) -> None:
        self._limits, self._reference = limits, reference
        self._lock = threading.Lock()
        self._cell, self._standard = SignalWindow(), SignalWindow()
        self._reference_zero: float | None = None
        self.keep(0.0)

    def feed(self, t_s: ArrayLike, counts: ArrayLike) -> None:
        """Counts of the cell; (n,) each."""
        with self._lock:
            self._cell.feed(np.asarray(t_s, np.float64), np.asarray(counts, np.float64))

    def feed_reference(self, t_s: ArrayLike, counts: ArrayLike) -> None:
        """Counts of the reference cell; (n,) each."""
        with self._lock:
            self._standard.feed(np.asarray(t_s, np.float64), np.asarray(counts, np.float64))

    @property
    def latest_s(self) -> float | None:
        """Time of the cell's last count; None before the first."""
        with self._lock:
            return self._cell.latest_s

    def keep(self, seconds: float) -> None:
        """Keep enough for a reading of so many seconds and its verdict."""
        with self._lock:
            for window in (self._cell, self._standard):
                window.keep_s = max(60.0, seconds + self._limits.window_s + 5.0)

    def stability(self) -> Stability:
        """The verdict on the cell's last window."""
        with self._lock:
            return self._cell.judge(self._limits)

    def over(
        self, start_s: float, seconds: float
    ) -> tuple[WindowMean | None, WindowMean | None, Stability] | None:
        """Means of cell and reference over a stretch, and the verdict at its end.

        None while the stretch has not passed. A device that restarted meanwhile gives no mean.
        """
        with self._lock:
            latest = self._cell.latest_s
            if latest is None or start_s <= latest < start_s + seconds:
                return None
            stop_s = start_s + seconds
            return (
                self._cell.mean(start_s, stop_s),
                self._standard.mean(start_s, stop_s),
                self._cell.judge(self._limits),
            )

    def set_reference_zero(self, counts: float) -> None:
        """Zero of the reference cell, read while unloaded."""
        self._reference_zero = counts

    def reference_force_kN(self) -> float | None:
        """Mean force of the reference over the last window; None without one."""
        with self._lock:
            latest = self._standard.latest_s
            if self._reference is None or latest is None:
                return None
            mean = self._standard.mean(latest - self._limits.window_s, latest)
        return None if mean is None else self.reference_mean(mean)[0]

    def reference_mean(self, mean: WindowMean) -> tuple[float, float]:
        """(force, standard deviation) in kN of a stretch of the reference's counts."""
        if self._reference is None:
            msg = "there is no reference cell in this session"
            raise BenchError(msg)
        zero = self._reference_zero
        if zero is None:
            zero = self._reference.nominal_zero_counts
        force, above = self._reference.to_force(
            np.array([mean.mean, mean.mean + mean.sd]), zero_counts=zero
        )
        return float(force), abs(float(above - force))
