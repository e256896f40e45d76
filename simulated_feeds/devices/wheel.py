"""The measuring wheel: encoder, counter, and the counter's own clock.

The encoder's pulses are not evenly spaced: the disc sits a little off centre, and every line
has its own error. A count is held until the next line has passed; its instant is kept to the
tick.

A wheel that is stuck, slides, spins or loses every second pulse turns otherwise than the train
moves: see ``WheelLaw.slides``. Pulses per second can be taken by their wrong edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.emission import DeviceName, Emission
from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault, added
from simulated_feeds.devices.wire import wheel_frames

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from simulated_feeds.devices.oscillator import Oscillator
    from simulated_feeds.physics.motion import Motion

__all__ = ["MeasuringWheel", "WheelFrames", "WheelLaw"]

FORWARD: Final = 1
ILLEGAL: Final = 2
PPS: Final = 4
_LATEST_PULSE_S: Final = 0.999
"""Later, and it would be the next second's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelLaw:
    """The wheel and its encoder as they truly are."""

    circumference_m: float
    pulses_per_revolution: int = 500
    eccentricity: float = 1.2e-4
    """Of the disc: position error over a turn, in turns."""
    line_error_turns: float = 6.0e-6
    """Standard deviation of one line's own place; a small part of a pulse."""
    edge_jitter_s: float = 2.0e-6
    frame_s: float = 0.010
    """Between frames."""
    latency_s: float = 0.0006
    latency_jitter_s: float = 0.0005
    pps: bool = False
    """A pulse-per-second line is connected."""
    slides: tuple[tuple[float, float, float], ...] = ()
    """Wheel slide: (from time, seconds, wheel speed over train speed)."""
    faults: tuple[FeedFault, ...] = ()
    """``pulse-late``; others are not looked at."""

    @property
    def pulses_per_m(self) -> float:
        """True pulses a metre."""
        return self.pulses_per_revolution / self.circumference_m


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelFrames:
    """Values of (f,) frames, ticks and counts not wrapped."""

    t_s: NDArray[np.float64]
    """Simulated time each was made."""
    tick: NDArray[np.int64]
    edge_tick: NDArray[np.int64]
    count: NDArray[np.int64]
    pps_tick: NDArray[np.int64]
    pps_count: NDArray[np.int64]
    flags: NDArray[np.uint8]


class MeasuringWheel:
    """See :class:`~simulated_feeds.devices.emission.SimulatedDevice`.

    Parameters
    ----------
    law, clock
        The wheel, and the counter's clock.
    utc0_ns
        UTC at simulated time 0: where the pulses per second fall.
    """

    def __init__(
        self,
        law: WheelLaw,
        clock: Oscillator,
        *,
        seed: np.random.SeedSequence,
        utc0_ns: int = 0,
    ) -> None:
        self.name: str = DeviceName.WHEEL
        self.law, self.clock = law, clock
        lines, jitter, latency = (np.random.default_rng(s) for s in seed.spawn(3))
        n = law.pulses_per_revolution
        turn = 2.0 * np.pi * np.arange(n) / n
        phase = lines.uniform(0.0, 2.0 * np.pi)
        wobble = law.eccentricity * (np.sin(turn + phase) - math.sin(phase))
        place = wobble + law.line_error_turns * lines.standard_normal(n)
        place[0] = 0.0
        # Pulses counted as a function of true pulses over one turn; monotone.
        self._true = np.append(np.arange(n) + n * place, float(n))
        self._shown = np.arange(n + 1, dtype=np.float64)
        self._jitter = law.edge_jitter_s * jitter.standard_normal(4096)
        self._latency = latency
        self._frame_ticks = max(1, round(law.frame_s * clock.tick_hz))
        self._next_tick = clock.tick0 + self._frame_ticks
        self._utc0_ns = utc0_ns
        self._sequence = 0
        self._tick_base = self._count_base = self._pps_base = 0
        self._start_s: float | None = None
        self._slid_m = 0.0
        self._edge_s, self._edge_way = 0.0, 1
        self._last_due = 0.0

    def restart(self, t_s: float) -> None:
        """Ticks, counts and sequence begin anew."""
        now = int(self.clock.ticks(t_s))
        self._tick_base, self._next_tick = now, now + self._frame_ticks
        self._count_base, self._sequence = self._count, 0
        self._pps_base = self._pulses(np.array([t_s]))[0][0]
        self._edge_s = t_s

    _count = 0

    def _true_pulses(self, motion: Motion) -> NDArray[np.float64]:
        """Position of the wheel in true pulses, at each instant of the motion."""
        if self._start_s is None:
            # Not on a line at the start, as no wheel stops just there.
            self._start_s = float(motion.s_m[0]) - 0.37 / self.law.pulses_per_m
        moved = motion.s_m - self._start_s - self._slid_m
        for begins, lasts, part in self.law.slides:
            inside = (motion.t_s >= begins) & (motion.t_s < begins + lasts)
            if inside[:-1].any():
                lost = np.where(inside[:-1], np.diff(motion.s_m) * (1.0 - part), 0.0)
                moved -= np.concatenate(([0.0], np.cumsum(lost)))
                self._slid_m += float(lost.sum())
        return np.asarray(moved * self.law.pulses_per_m)

    def _shown_at(self, true: NDArray[np.float64]) -> NDArray[np.float64]:
        """What the encoder shows where the wheel stands at (...) true pulses."""
        n = self.law.pulses_per_revolution
        turns = np.floor(true / n)
        return np.asarray(turns * n + np.interp(true - turns * n, self._true, self._shown))

    def _true_at(self, line: NDArray[np.int64]) -> NDArray[np.float64]:
        """Where the wheel stands, in true pulses, when (...) lines pass."""
        turns, within = np.divmod(line, self.law.pulses_per_revolution)
        return np.asarray(turns * self.law.pulses_per_revolution + self._true[within])

    def _pulses(
        self, t_s: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Pulses per second taken by (f,) simulated times since 0, and when the last was."""
        start_s = (self._utc0_ns % 1_000_000_000) * 1e-9
        taken = np.floor(t_s + start_s).astype(np.int64)
        at = np.asarray(taken - start_s, dtype=np.float64)
        if not self.law.faults:
            return taken, at
        missed = t_s < at + self._pulse_late_s(at)
        taken, at = np.where(missed, taken - 1, taken), np.where(missed, at - 1.0, at)
        return taken, at + self._pulse_late_s(at)

    def _pulse_late_s(self, second_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """(f,) s how late the pulses of whole seconds, at (f,) simulated times, are taken."""
        late = [added(self.law.faults, FaultKind.PULSE_LATE, t) for t in second_s.tolist()]
        return np.minimum(np.array(late, dtype=np.float64), _LATEST_PULSE_S)

    def frames(self, motion: Motion) -> WheelFrames:
        """Values of the frames made within the stretch."""
        end = int(self.clock.ticks(motion.t_s[-1]))
        f = max(0, (end - self._next_tick) // self._frame_ticks + 1)
        ticks = self._next_tick + self._frame_ticks * np.arange(f)
        self._next_tick += self._frame_ticks * f
        t_f = np.minimum(self.clock.time_s(ticks), motion.t_s[-1])
        count, edge_s, way = self._edges(motion.t_s, self._true_pulses(motion), t_f)
        edge = np.minimum(self.clock.ticks(edge_s), ticks)
        flags = np.where(way > 0, FORWARD, 0).astype(np.uint8)
        pps_tick = np.zeros(f, np.int64)
        pps_count = np.zeros(f, np.int64)
        if self.law.pps:
            seconds, at = self._pulses(t_f)
            seen = seconds > self._pps_base
            pps_tick = np.where(seen, self.clock.ticks(at) - self._tick_base, 0)
            pps_count = np.where(seen, seconds - self._pps_base, 0)
            flags[seen] |= PPS
        return WheelFrames(
            t_s=t_f, tick=ticks - self._tick_base, count=count - self._count_base,
            edge_tick=np.maximum(edge - self._tick_base, 0), pps_tick=pps_tick,
            pps_count=pps_count, flags=flags,
        )  # fmt: skip

    def _edges(
        self, t: NDArray[np.float64], true: NDArray[np.float64], t_f: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
        """Count, simulated time of the last line passed, and which way, at each frame."""
        place = np.searchsorted(t, t_f, side="right")
        grid = np.insert(t, place, t_f)
        pulses = np.insert(true, place, np.interp(t_f, t, true))
        whole = np.floor(self._shown_at(pulses)).astype(np.int64)
        moved = np.flatnonzero(np.diff(whole))
        up = whole[moved + 1] > whole[moved]
        line = np.where(up, whole[moved + 1], whole[moved + 1] + 1)
        run = pulses[moved + 1] - pulses[moved]
        part = np.clip((self._true_at(line) - pulses[moved]) / run, 0.0, 1.0)
        when = grid[moved] + part * (grid[moved + 1] - grid[moved])
        when = when + self._jitter[line % self._jitter.size]
        # The last crossing at or before each frame; what was held when there is none.
        at = place + np.arange(t_f.size)
        last = np.searchsorted(moved + 1, at, side="right") - 1
        known = last >= 0
        whens = np.append(when, self._edge_s)
        ways = np.append(np.where(up, 1, -1), self._edge_way)
        edge_s, way = whens[np.where(known, last, -1)], ways[np.where(known, last, -1)]
        if moved.size:
            self._edge_s, self._edge_way = float(when[-1]), int(ways[-2])
        self._count = int(whole[-1])
        return whole[at], edge_s, way

    def advance(self, motion: Motion) -> list[Emission]:
        """Frames made within the stretch."""
        values = self.frames(motion)
        f = values.tick.size
        if f == 0:
            return []
        data = wheel_frames(
            sequence=self._sequence + np.arange(f), flags=values.flags,
            pps_count=values.pps_count, count=values.count,
            edge_tick=values.edge_tick, tick=values.tick,
            pps_tick=values.pps_tick, tick_hz=self.clock.tick_hz,
        )  # fmt: skip
        self._sequence += f
        wait = self._latency.exponential(self.law.latency_jitter_s, f)
        due = np.maximum(values.t_s + self.law.latency_s + wait, self._last_due)
        due = np.maximum.accumulate(due)
        self._last_due = float(due[-1])
        return [Emission(a, b) for a, b in zip(due.tolist(), data, strict=True)]
