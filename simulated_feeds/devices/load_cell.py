"""The load cell in the coupler and its front end.

The cell's law gives a deflection for a force; noise, an offset, drift of zero and the rails of
the converter come on top. Samples are taken at even ticks of the front end's own clock. A
count can be stuck, spike, creep or lie at a rail: the pull's alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.emission import DeviceName, Emission
from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault
from simulated_feeds.devices.wire import RAIL_HIGH, RAIL_LOW, load_cell_frames

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from simulated_feeds.devices.oscillator import Oscillator
    from simulated_feeds.physics.motion import Motion

__all__ = ["CellLaw", "FrontEnd", "LoadCell", "Taken"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CellLaw:
    """How the cell answers to force, as it truly is."""

    counts_per_kN: float
    bow: float = 0.0
    """Deflection grows by this part at capacity, in proportion to force."""
    bend: float = 0.0
    """The same in proportion to force squared."""
    skew: float = 0.0
    """Gain in compression over gain in tension, minus 1."""
    capacity_kN: float = 600.0
    zero_counts: float = 0.0
    """Output of the unloaded cell at simulated time 0."""
    zero_drift_per_h: float = 0.0
    """Counts an hour."""
    zero_swing: float = 0.0
    """Counts, slow and periodic, with the temperature of the box."""
    noise_counts: float = 0.0
    """Standard deviation of a sample."""
    faults: tuple[FeedFault, ...] = ()
    """``stuck``, ``spikes``, ``creep``, ``railed``; others are not looked at."""

    def deflection(self, pull_kN: ArrayLike) -> NDArray[np.float64]:
        """(...) counts above zero at (...) kN, tension +; without noise."""
        part = np.asarray(pull_kN, dtype=np.float64) / self.capacity_kN
        gain = (
            self.counts_per_kN * self.capacity_kN * np.where(part < 0.0, 1.0 + self.skew, 1.0)
        )
        return np.asarray(gain * part * (1.0 + self.bow * part + self.bend * part**2))

    def zero(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """(...) counts of the unloaded cell at (...) simulated times."""
        t = np.asarray(t_s, dtype=np.float64)
        swing = self.zero_swing * np.sin(2.0 * np.pi * t / 3100.0)
        return np.asarray(self.zero_counts + self.zero_drift_per_h * t / 3600.0 + swing)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontEnd:
    """How the front end samples and sends."""

    channels: int = 4
    samples: int = 20
    """A frame."""
    sample_rate_hz: int = 2000
    latency_s: float = 0.0008
    """From the last sample to the first byte on the wire."""
    latency_jitter_s: float = 0.0006


_OTHERS: Final = ((0.62, 12_000.0, 60.0), (0.0, 415_000.0, 25.0), (0.0, -90.0, 12.0))
"""Channels beyond the pull: part of its deflection, offset, noise. A second bridge, the
temperature of the cell, an open input."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Samples of f frames of n samples of c channels."""

    ticks: NDArray[np.int64]
    """(f, n) device ticks, not wrapped."""
    t_s: NDArray[np.float64]
    """(f, n) simulated time."""
    counts: NDArray[np.int32]
    """(f, n, c)."""


class LoadCell:
    """Channel 0 is the pull; see :class:`~simulated_feeds.devices.emission.SimulatedDevice`."""

    def __init__(
        self,
        law: CellLaw,
        clock: Oscillator,
        front: FrontEnd,
        *,
        seed: np.random.SeedSequence,
    ) -> None:
        self.name: str = DeviceName.DRAWBAR
        self.law, self.clock, self.front = law, clock, front
        self.step_ticks = max(1, round(clock.tick_hz / front.sample_rate_hz))
        noise, latency = seed.spawn(2)
        self._noise = np.random.default_rng(noise)
        self._latency = np.random.default_rng(latency)
        self._sequence = 0
        # The first sample after power-up, at a whole step of the device's own clock.
        self._next_tick = clock.tick0 + self.step_ticks
        self._tick_base = 0
        self._last_due = 0.0
        self._t = np.empty(0)
        self._pull_N = np.empty(0)
        self._held = dict.fromkeys(range(len(law.faults)), np.nan)
        """By fault: the count that is stuck."""
        self._spikes = dict.fromkeys(range(len(law.faults)), 0)
        """By fault: how many there were."""

    def restart(self, t_s: float) -> None:
        """Ticks and sequence begin anew."""
        now = int(self.clock.ticks(t_s))
        self._tick_base = now
        self._next_tick = now + self.step_ticks
        self._sequence = 0

    def counts_at(
        self, t_s: NDArray[np.float64], pull_N: NDArray[np.float64]
    ) -> NDArray[np.int32]:
        """(n, c) counts at (n,) simulated times under (n,) true pulls."""
        c = self.front.channels
        main = self.law.deflection(pull_N / 1000.0)
        noise = self._noise.standard_normal((t_s.size, c))
        counts = np.empty((t_s.size, c))
        counts[:, 0] = main + self.law.zero(t_s) + self.law.noise_counts * noise[:, 0]
        for i in range(1, c):
            part, offset, sd = _OTHERS[(i - 1) % len(_OTHERS)]
            counts[:, i] = part * main + offset + sd * noise[:, i]
        for number, fault in enumerate(self.law.faults):
            self._strike(number, fault, t_s, counts[:, 0])
        return np.clip(np.rint(counts), RAIL_LOW, RAIL_HIGH).astype(np.int32)

    def _strike(
        self, number: int, fault: FeedFault, t_s: NDArray[np.float64], pull: NDArray[np.float64]
    ) -> None:
        """Put one fault into (n,) counts of the pull, in place."""
        on = (t_s >= fault.at_s) & (t_s < fault.at_s + fault.lasts_s)
        if fault.kind is FaultKind.CREEP:
            pull += fault.value * fault.held_s(t_s)
        elif fault.kind is FaultKind.RAILED:
            pull[on] = RAIL_HIGH if fault.value > 0.0 else RAIL_LOW
        elif fault.kind is FaultKind.STUCK and on.any():
            if np.isnan(self._held[number]):
                self._held[number] = float(pull[on][0])
            pull[on] = self._held[number]
        elif fault.kind is FaultKind.SPIKES:
            # The first sample at or after each whole second of the fault.
            reached = np.where(on, np.floor(t_s - fault.at_s).astype(np.int64) + 1, 0)
            before = np.maximum.accumulate(np.append(self._spikes[number], reached))
            pull[before[1:] > before[:-1]] *= fault.value
            self._spikes[number] = int(before[-1])

    def take(self, motion: Motion) -> Taken | None:
        """Whole frames whose last sample falls within the stretch; None: not one."""
        n = self.front.samples
        span = n * self.step_ticks
        fresh = slice(1 if self._t.size else 0, None)
        self._t = np.concatenate((self._t, motion.t_s[fresh]))
        self._pull_N = np.concatenate((self._pull_N, motion.pull_N[fresh]))
        end = int(self.clock.ticks(motion.t_s[-1]))
        f = max(0, (end - self._next_tick - (n - 1) * self.step_ticks) // span + 1)
        if f == 0:
            return None
        firsts = self._next_tick + span * np.arange(f)
        ticks = firsts[:, None] + self.step_ticks * np.arange(n)[None, :]
        t = self.clock.time_s(ticks.ravel())
        pull = np.interp(t, self._t, self._pull_N)
        counts = self.counts_at(t, pull).reshape(f, n, self.front.channels)
        self._next_tick += span * f
        # The frame now begun needs what has just passed.
        used = int(np.searchsorted(self._t, self.clock.time_s(self._next_tick))) - 2
        self._t, self._pull_N = self._t[max(used, 0) :], self._pull_N[max(used, 0) :]
        return Taken(ticks=ticks - self._tick_base, t_s=t.reshape(f, n), counts=counts)

    def due_s(self, last_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """When frames whose last samples were taken at (f,) simulated times reach the wire."""
        wait = self._latency.exponential(self.front.latency_jitter_s, last_s.size)
        due = np.maximum(last_s + self.front.latency_s + wait, self._last_due)
        due = np.maximum.accumulate(due)
        self._last_due = float(due[-1])
        return due

    def advance(self, motion: Motion) -> list[Emission]:
        """Whole frames whose last sample falls within the stretch."""
        taken = self.take(motion)
        if taken is None:
            return []
        frames = load_cell_frames(
            taken.counts, first_sequence=self._sequence, first_ticks=taken.ticks[:, 0],
            step_ticks=self.step_ticks, tick_hz=self.clock.tick_hz,
        )  # fmt: skip
        self._sequence += len(frames)
        due = self.due_s(taken.t_s[:, -1]).tolist()
        return [Emission(a, b) for a, b in zip(due, frames, strict=True)]
