"""Whether a live signal stands still: slope and noise over a window against stated limits."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["SignalWindow", "Stability", "StabilityLimits", "WindowMean", "judge"]


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
    stuck: bool = False
    """Every count of the window is the same: a coarse signal, or none at all."""
    at_rail: bool = False
    """A count of the window stands at the converter's rail."""


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
    longest_run: int = 1
    """Most samples on end of the same value."""


class SignalWindow:
    """The last stretch of one channel, fed in blocks in order of time."""

    def __init__(self, keep_s: float = 60.0) -> None:
        self.keep_s = keep_s
        """How much is kept; may be raised for a long reading."""
        self.restarts = 0
        """How often the device's time ran back."""
        self._blocks: deque[tuple[NDArray[np.float64], NDArray[np.float64]]] = deque()

    def feed(self, t_s: NDArray[np.float64], values: NDArray[np.float64]) -> None:
        """Add samples; (n,) each. Time that runs back (a device restart) starts afresh."""
        if len(t_s) == 0:
            return
        if self._blocks and float(t_s[0]) <= float(self._blocks[-1][0][-1]):
            self._blocks.clear()
            self.restarts += 1
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
            longest_run=_longest_run(values),
        )

    def judge(self, limits: StabilityLimits, rails: tuple[float, float]) -> Stability:
        """The verdict on the last window; counts at a rail of the converter are never still."""
        latest = self.latest_s
        if latest is None:
            return _unknown(0.0, math.nan, "no counts yet")
        return judge(*self.between(latest - limits.window_s, latest), limits, rails)


def _longest_run(values: NDArray[np.float64]) -> int:
    changes = np.flatnonzero(np.diff(values)) + 1
    return int(np.max(np.diff([0, *changes.tolist(), len(values)])))


def judge(
    t_s: NDArray[np.float64],
    counts: NDArray[np.float64],
    limits: StabilityLimits,
    rails: tuple[float, float],
) -> Stability:
    """The verdict on a stretch of at least a window; (n,) each."""
    seconds = float(t_s[-1] - t_s[0]) if len(t_s) else 0.0
    mean = float(np.mean(counts)) if len(t_s) else math.nan
    at_rail = bool(np.any((counts <= rails[0]) | (counts >= rails[1])))
    if at_rail:
        words = "at the rail of the converter: overloaded, or the cable is off"
        return _unknown(seconds, mean, words, at_rail=True)
    if len(t_s) < 3 or seconds < 0.9 * limits.window_s:
        return _unknown(seconds, mean, f"watching: {seconds:.1f} of {limits.window_s:g} s")
    centred = t_s - float(np.mean(t_s))
    slope = float(centred @ (counts - mean) / (centred @ centred))
    noise = float(np.std(counts - mean - slope * centred))
    drift = abs(slope) * limits.window_s
    reasons = []
    if drift > limits.drift_counts:
        reasons.append(f"drifting {drift:.0f} counts (limit {limits.drift_counts:g})")
    if noise > limits.noise_counts:
        reasons.append(f"noise {noise:.0f} counts (limit {limits.noise_counts:g})")
    return Stability(
        stable=not reasons, seconds=seconds, mean=mean, slope_per_s=slope,
        noise_sd=noise, reason=", ".join(reasons) or "stable",
        stuck=bool(np.all(counts == counts[0])),
    )  # fmt: skip


def _unknown(seconds: float, mean: float, words: str, *, at_rail: bool = False) -> Stability:
    return Stability(
        stable=False, seconds=seconds, mean=mean, slope_per_s=math.nan, noise_sd=math.nan,
        reason=words, at_rail=at_rail,
    )  # fmt: skip
