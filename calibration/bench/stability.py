"""Whether a live signal stands still: slope and noise over a window against stated limits."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["SignalWindow", "Stability", "StabilityLimits", "WindowMean"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilityLimits:
    """When a signal counts as still."""

    window_s: float = 5.0
    drift_counts: float = 200.0
    """Largest change over the window, from the fitted slope."""
    noise_counts: float = 500.0
    """Largest standard deviation about the slope."""

    def __post_init__(self) -> None:
        for name in ("window_s", "drift_counts", "noise_counts"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                msg = f"{name} must be a number above 0, got {value!r}"
                raise ValueError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """The verdict, and what it rests on."""

    stable: bool
    seconds: float
    """How much of the window is filled."""
    mean: float
    slope_per_s: float
    noise_sd: float
    reason: str
    """In words: ``"stable"``, or what is not yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowMean:
    """Mean of a stretch of signal."""

    mean: float
    sd: float
    """Of single samples; 0 for one sample."""
    n: int
    seconds: float
    low: float
    high: float
    longest_gap_s: float = 0.0
    """Longest time between two samples that follow each other."""


class SignalWindow:
    """The last stretch of one channel, fed in blocks in order of time."""

    def __init__(self, keep_s: float = 60.0) -> None:
        self.keep_s = keep_s
        """How much is kept; may be raised for a long reading."""
        self._blocks: deque[tuple[NDArray[np.float64], NDArray[np.float64]]] = deque()

    def feed(self, t_s: NDArray[np.float64], values: NDArray[np.float64]) -> None:
        """Add samples; (n,) each. Time that runs back (a device restart) starts afresh."""
        if len(t_s) == 0:
            return
        if self._blocks and float(t_s[0]) <= float(self._blocks[-1][0][-1]):
            self._blocks.clear()
        self._blocks.append((np.array(t_s, np.float64), np.array(values, np.float64)))
        while float(self._blocks[0][0][-1]) < float(t_s[-1]) - self.keep_s:
            self._blocks.popleft()

    @property
    def latest_s(self) -> float | None:
        """Time of the last sample; None before the first."""
        return float(self._blocks[-1][0][-1]) if self._blocks else None

    def between(
        self, start_s: float, stop_s: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times and values with ``start_s <= t <= stop_s``; (n,) each."""
        parts = []
        for block in reversed(self._blocks):  # what is asked for lies near the end
            if block[0][-1] < start_s:
                break
            if block[0][0] <= stop_s:
                parts.append(block)
        if not parts:
            return np.empty(0), np.empty(0)
        parts.reverse()
        t = np.concatenate([p[0] for p in parts])
        inside = (t >= start_s) & (t <= stop_s)
        return t[inside], np.concatenate([p[1] for p in parts])[inside]

    def mean(self, start_s: float, stop_s: float) -> WindowMean | None:
        """Mean and standard deviation of a stretch; None without a sample in it."""
        t, values = self.between(start_s, stop_s)
        if len(t) == 0:
            return None
        return WindowMean(
            mean=float(np.mean(values)),
            sd=float(np.std(values, ddof=1)) if len(values) > 1 else 0.0,
            n=len(values),
            seconds=float(t[-1] - t[0]),
            low=float(np.min(values)),
            high=float(np.max(values)),
            longest_gap_s=float(np.max(np.diff(t), initial=0.0)),
        )

    def judge(self, limits: StabilityLimits) -> Stability:
        """The verdict on the last window."""
        latest = self.latest_s
        if latest is None:
            return Stability(
                stable=False, seconds=0.0, mean=math.nan, slope_per_s=math.nan,
                noise_sd=math.nan, reason="no counts yet",
            )  # fmt: skip
        t, values = self.between(latest - limits.window_s, latest)
        seconds = float(t[-1] - t[0])
        mean = float(np.mean(values))
        if len(t) < 3 or seconds < 0.9 * limits.window_s:
            return Stability(
                stable=False, seconds=seconds, mean=mean, slope_per_s=math.nan,
                noise_sd=math.nan,
                reason=f"watching: {seconds:.1f} of {limits.window_s:g} s",
            )  # fmt: skip
        centred = t - float(np.mean(t))
        slope = float(centred @ (values - mean) / (centred @ centred))
        noise = float(np.std(values - mean - slope * centred))
        drift = abs(slope) * limits.window_s
        reasons = []
        if drift > limits.drift_counts:
            reasons.append(f"drifting {drift:.0f} counts (limit {limits.drift_counts:g})")
        if noise > limits.noise_counts:
            reasons.append(f"noise {noise:.0f} counts (limit {limits.noise_counts:g})")
        return Stability(
            stable=not reasons, seconds=seconds, mean=mean, slope_per_s=slope,
            noise_sd=noise, reason=", ".join(reasons) or "stable",
        )  # fmt: skip
