"""One channel's health from its seconds: standing counts, rails, spikes, drift at rest."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from calibration.quantities.written import many
from recorder.run.checks.channel_health import Episode, HealthFault
from recorder.run.checks.motion import Movement

if TYPE_CHECKING:
    from recorder.run.checks.channel_seconds import Second

__all__ = [
    "DRIFT_SEEN_S",
    "DriftWatch",
    "Ended",
    "RareWatch",
    "Source",
    "StillRun",
    "StuckWatch",
    "Tell",
]

STUCK_S: Final = 2.0
STUCK_SAMPLES: Final = 200
"""The very same count for so long, of a channel whose noise had been more than a count: the
chance of it is nothing at all (from experience)."""
STUCK_AT_REST_S: Final = 10.0
"""At rest an engine that is shut off takes some of the noise with it: longer is asked."""
NOISY_QUANTA: Final = 3.0
"""Least usual step, in steps of the converter, at which standing counts cannot be chance. Below
it a quiet channel stands for seconds in the middle of a step, and is in order."""
NOISY_SECONDS: Final = 10
"""Of the same movement, each of which had that noise, before it is known of the channel."""
SLOW_STUCK_S: Final = 120.0
SLOW_VARIES: Final = 0.15
"""A channel whose noise is not known stands too long when the train moved all the while, at
speeds that were not one: a pull changes with speed by its resistance alone, by more than a
coarse table rounds it."""
JOINED_S: Final = 60
"""Spikes or rails less far apart are one episode."""
REST_SETTLES_S: Final = 30
"""After a stop draw gear and brakes let go of what they held (from experience)."""
REST_BLOCK: Final = 10
"""Seconds of one mean."""
REST_BLOCKS: Final = 12, 30
"""Least and most means that a drift is seen over: two minutes to five."""
DRIFT_SEEN_S: Final = REST_SETTLES_S + REST_BLOCKS[0] * REST_BLOCK
"""Shortest stand in which a drift can be seen."""
REST_SCATTER: Final = 0.1
REST_THIRD: Final = 0.2
"""Steady: scatter about the straight line, and what each third moves, as shares of the whole."""


class Tell(Protocol):
    """Who is told."""

    def begun(self, episode: Episode) -> None:
        """One was found, and goes on."""

    def ended(self, episode: Episode) -> None:
        """One is over: its whole extent."""


class Ended:
    """Whole episodes, in the order in which they end."""

    def __init__(self) -> None:
        self.episodes: list[Episode] = []

    def begun(self, episode: Episode) -> None:
        """Only whole ones are kept."""

    def ended(self, episode: Episode) -> None:
        """Keep one."""
        self.episodes.append(episode)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """The counts that are watched, and what is made of them."""

    device: str
    channels: tuple[str, ...]

    def episode(self, fault: HealthFault, row: Second, text: str) -> Episode:
        """An episode that is one second long so far."""
        return Episode(
            device=self.device,
            channels=self.channels,
            fault=fault,
            t_start_s=row.t_first_s,
            t_stop_s=row.t_last_s,
            first_record=row.first_record,
            stop_record=row.stop_record,
            samples=row.n,
            text=text,
        )


@dataclass(slots=True)
class StillRun:
    """The stretch for which the count has been as it is now."""

    start_s: float = 0.0
    first_record: int = 0
    stop_s: float = 0.0
    stop_record: int = 0
    n: int = 0
    moving_s: int = 0
    standing_s: int = 0
    slowest_m_s: float = np.inf
    fastest_m_s: float = 0.0

    @property
    def seconds(self) -> float:
        """From its first to its last sample."""
        return self.stop_s - self.start_s

    def take(self, row: Second) -> bool:
        """Go on by a second; True when the count changed in it, and ``ended`` has what was."""
        if not row.changes and self.n:
            self.stop_s, self.stop_record = row.t_last_s, row.stop_record
            self.n += row.n
            return False
        self.start_s, self.first_record = row.still_s, row.still_record
        self.stop_s, self.stop_record = row.t_last_s, row.stop_record
        self.n = row.stop_record - row.still_record
        self.moving_s = self.standing_s = 0
        self.slowest_m_s, self.fastest_m_s = np.inf, 0.0
        return True

    def note(self, movement: Movement, speed_m_s: float) -> None:
        """What the train did in a second of it."""
        if movement is Movement.MOVING:
            self.moving_s += 1
            self.slowest_m_s = min(self.slowest_m_s, speed_m_s)
            self.fastest_m_s = max(self.fastest_m_s, speed_m_s)
        elif movement is Movement.STANDING:
            self.standing_s += 1


@dataclass(slots=True)
class StuckWatch:
    """An analogue channel whose count stands while it cannot.

    A count that stands on a standing train, of a channel quieter than its own steps, is no
    fault that anybody could tell from good order: nothing is said of it.
    """

    source: Source
    tell: Tell
    _run: StillRun = field(default_factory=StillRun)
    _steps: dict[Movement, deque[tuple[int, float]]] = field(
        default_factory=lambda: {m: deque(maxlen=NOISY_SECONDS + 1) for m in Movement}
    )
    """Seconds in which it changed, and the usual step of each in steps of the converter."""
    _began: int = 0
    """The second in which the count last changed."""
    open: Episode | None = None
    """That goes on, as it is by now."""

    def second(self, row: Second, movement: Movement, speed_m_s: float) -> None:
        """Take up the next second that has samples."""
        if not self._run.take(row):
            self._run.note(movement, speed_m_s)
        elif self.open is not None:
            # The seconds in which it began and ended were half of them still.
            self._forget(self._began)
            self._end(row)
        elif row.quantum > 0.0:
            self._began = row.second
            self._steps[movement].append((row.second, row.step / row.quantum))
        if row.railed:
            # Standing at a rail is a fault of its own.
            self._run = StillRun()
        elif self.open is not None:
            self.open = self._extended(self.open)
        elif text := self._stuck():
            self.open = self._extended(self.source.episode(HealthFault.STUCK, row, text))
            self.tell.begun(self.open)

    def finish(self) -> None:
        """The run is over."""
        if self.open is not None:
            self.tell.ended(self.open)
            self.open = None

    def _noisy(self, movement: Movement) -> bool:
        steps = [ratio for second, ratio in self._steps[movement] if second != self._began]
        if len(steps) < NOISY_SECONDS and movement is Movement.MOVING:
            # Motion only adds to the noise there is at rest.
            rest = [r for second, r in self._steps[Movement.STANDING] if second != self._began]
            steps = [*rest, *steps]
        if len(steps) < NOISY_SECONDS:
            return False
        return min(steps[-NOISY_SECONDS:]) >= NOISY_QUANTA

    def _forget(self, second: int) -> None:
        for steps in self._steps.values():
            if steps and steps[-1][0] == second:
                steps.pop()

    def _stuck(self) -> str:
        run = self._run
        if run.n >= STUCK_SAMPLES and run.seconds >= STUCK_S:
            if run.moving_s >= STUCK_S and self._noisy(Movement.MOVING):
                return "the very same count while the train moves, after noise of more than it"
            if run.standing_s >= STUCK_AT_REST_S and self._noisy(Movement.STANDING):
                return "the very same count at rest, after noise of more than it at rest"
        wide = run.fastest_m_s - run.slowest_m_s
        if run.moving_s >= SLOW_STUCK_S and wide > SLOW_VARIES * run.fastest_m_s:
            return (
                f"one and the same value while the speed went from {run.slowest_m_s:.1f} to"
                f" {run.fastest_m_s:.1f} m/s"
            )
        return ""

    def _extended(self, held: Episode) -> Episode:
        run = self._run
        return replace(
            held,
            t_start_s=run.start_s,
            first_record=run.first_record,
            t_stop_s=run.stop_s,
            stop_record=run.stop_record,
            samples=run.n,
        )

    def _end(self, row: Second) -> None:
        """Up to the sample before the first that changed."""
        held = self.open
        assert held is not None
        more = row.change_record - row.first_record
        stop_s = row.change_s if more > 0 else held.t_stop_s
        self.tell.ended(
            replace(
                held,
                t_stop_s=stop_s,
                stop_record=max(row.change_record, held.stop_record),
                samples=held.samples + max(more, 0),
            )
        )
        self.open = None


@dataclass(slots=True)
class RareWatch:
    """Samples at the rails, or spikes: an episode while they come less than a minute apart."""

    source: Source
    tell: Tell
    fault: HealthFault
    open: Episode | None = None
    """That goes on, as it is by now."""
    _last: int = 0

    def second(self, row: Second) -> None:
        """Take up the next second that has samples."""
        n = row.railed if self.fault is HealthFault.RAILED else row.spikes
        held = self.open
        if held is not None and row.second - self._last > JOINED_S:
            self.finish()
            held = None
        if not n:
            return
        self._last = row.second
        if held is None:
            begun = self.source.episode(self.fault, row, self._text(n))
            self.open = replace(begun, samples=n)
            self.tell.begun(self.open)
        else:
            total = held.samples + n
            self.open = replace(
                held,
                t_stop_s=row.t_last_s,
                stop_record=row.stop_record,
                samples=total,
                text=self._text(total),
            )

    def finish(self) -> None:
        """The run is over."""
        if self.open is not None:
            self.tell.ended(self.open)
            self.open = None

    def _text(self, n: int) -> str:
        told = many(n, "sample")
        if self.fault is HealthFault.RAILED:
            return f"{told} at the converter's rails: the true value is beyond the number"
        return (
            f"{told}, each alone, left the neighbours by more than 10 of the usual steps; in no"
            " mean"
        )


@dataclass(slots=True)
class DriftWatch:
    """A zero that moves while the train stands: steadily, over minutes, beyond a limit."""

    source: Source
    tell: Tell
    limit_counts: float
    limit_words: str
    counts_per_kN: float
    _stood: int = 0
    _sum: list[float] = field(default_factory=list)
    _means: deque[float] = field(default_factory=lambda: deque(maxlen=REST_BLOCKS[1]))
    _first: deque[Second] = field(default_factory=lambda: deque(maxlen=REST_BLOCKS[1]))
    open: Episode | None = None
    """That goes on, as it is by now."""

    def second(self, row: Second, movement: Movement) -> None:
        """Take up the next second that has samples."""
        if movement is not Movement.STANDING or row.railed:
            self.finish()
            self._stood = 0
            self._sum.clear()
            self._means.clear()
            self._first.clear()
            return
        self._stood += 1
        if self._stood <= REST_SETTLES_S:
            return
        if not self._sum:
            self._first.append(row)
        self._sum.append(row.mean)
        if len(self._sum) == REST_BLOCK:
            self._means.append(sum(self._sum) / REST_BLOCK)
            self._sum.clear()
            self._judge(row)

    def finish(self) -> None:
        """The stand, or the run, is over."""
        if self.open is not None:
            self.tell.ended(self.open)
            self.open = None

    def _judge(self, row: Second) -> None:
        moved = steady_change(self._means)
        if not abs(moved) > self.limit_counts:
            return
        first = self._first[0]
        held = self.open
        start_s = first.t_first_s if held is None else held.t_start_s
        record = first.first_record if held is None else held.first_record
        text = (
            f"the mean moved steadily by {moved:+.0f} counts ({moved / self.counts_per_kN:+.2f}"
            f" kN) in {row.t_last_s - first.t_first_s:.0f} s at rest, {self.limit_words} allows"
            f" {self.limit_counts:.0f}: the zero drifts, or the force on the coupler does"
        )
        begun = self.source.episode(HealthFault.DRIFTING, row, text)
        self.open = replace(
            begun,
            t_start_s=start_s,
            first_record=record,
            samples=row.stop_record - record,
        )
        if held is None:
            self.tell.begun(self.open)


def steady_change(means: deque[float]) -> float:
    """How far evenly spaced means (k,) moved along a straight line; 0 when they did not move
    steadily, or were too few."""
    k = len(means)
    if k < REST_BLOCKS[0]:
        return 0.0
    y = np.array(means)
    x = np.arange(k) - (k - 1) / 2.0
    slope = float(x @ y / (x @ x))
    change = slope * (k - 1)
    scatter = float(np.std(y - y.mean() - slope * x))
    thirds = [float(part[-1] - part[0]) for part in np.array_split(y, 3)]
    steady = scatter <= REST_SCATTER * abs(change)
    along = min(third / change for third in thirds) if change else 0.0
    return change if steady and along >= REST_THIRD else 0.0
