"""The live counts of a bench session: the cell, and the reference cell beside it."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.bench.bench_reading import BenchError
from calibration.bench.stability import (
    SignalWindow,
    Stability,
    StabilityLimits,
    WindowMean,
    judge,
)
from calibration.certificates.force import RAILS_24_BIT, ForceCertificate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["ChannelStretch", "LiveCounts"]

LIVE_RAILS: Final = RAILS_24_BIT


@dataclass(frozen=True, slots=True)
class ChannelStretch:
    """One channel over the stretch of a reading."""

    mean: WindowMean
    verdict: Stability
    """On the whole stretch and on the last window of it: the worse of the two."""


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

    @property
    def restarts(self) -> int:
        """How often the device's time ran back."""
        with self._lock:
            return self._cell.restarts

    def keep(self, seconds: float) -> None:
        """Keep enough for a reading of so many seconds and its verdict."""
        with self._lock:
            for window in (self._cell, self._standard):
                window.keep_s = max(60.0, seconds + self._limits.window_s + 5.0)

    def stability(self) -> Stability:
        """The verdict on the cell's last window."""
        with self._lock:
            return self._cell.judge(self._limits, LIVE_RAILS)

    def over(
        self, start_s: float, seconds: float
    ) -> tuple[ChannelStretch | None, ChannelStretch | None]:
        """Cell and reference over a stretch that has passed; None without a count in it."""
        with self._lock:
            return (
                self._stretch(self._cell, start_s, start_s + seconds),
                self._stretch(self._standard, start_s, start_s + seconds),
            )

    def _stretch(
        self, window: SignalWindow, start_s: float, stop_s: float
    ) -> ChannelStretch | None:
        mean = window.mean(start_s, stop_s)
        if mean is None:
            return None
        whole = judge(*window.between(start_s, stop_s), self._limits, LIVE_RAILS)
        last_start_s = min(start_s, stop_s - self._limits.window_s)
        last = judge(*window.between(last_start_s, stop_s), self._limits, LIVE_RAILS)
        # A reading shorter than the window has only the window's verdict.
        short = mean.seconds < 0.9 * self._limits.window_s and not whole.at_rail
        worse = last if short or whole.stable else whole
        return ChannelStretch(mean, replace(worse, stuck=mean.low == mean.high))

    def set_reference_zero(self, counts: float) -> None:
        """Zero of the reference cell, read while unloaded."""
        self._reference_zero = counts

    @property
    def reference_zero(self) -> float | None:
        """Counts taken for the reference's zero: as read, else its certificate's."""
        if self._reference is None or self._reference_zero is not None:
            return self._reference_zero
        return self._reference.nominal_zero_counts

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
        zero = self.reference_zero
        if self._reference is None or zero is None:
            msg = "there is no reference cell in this session"
            raise BenchError(msg)
        force, above = self._reference.to_force(
            np.array([mean.mean, mean.mean + mean.sd]), zero_counts=zero
        )
        return float(force), abs(float(above - force))
