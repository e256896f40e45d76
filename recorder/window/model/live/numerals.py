"""The big numerals and the alarms: the last half second, never an old number. No Qt here."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.window.model.live.device_lines import Level
from recorder.window.model.trace.pens import power_factors

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.window.model.trace.pens import Pen
    from recorder.window.model.trace.trace_chunk import TraceChunk

__all__ = ["Alarm", "NumeralReading", "Numerals"]

MEAN_S: Final = 0.5
"""A numeral is the mean of so long."""
STALE_S: Final = 1.5
"""Older than this is no reading."""
LATCH_S: Final = 3.0
"""A flag of one sample is shown for so long: nobody sees half a millisecond."""


@dataclass(frozen=True, slots=True)
class NumeralReading:
    """One numeral, in the unit of the run."""

    value: float
    """NaN when there is nothing fresh."""
    age_s: float
    """Since its newest sample; infinite before the first."""
    flags: int
    """Of the samples of the last seconds, together."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something the crew must see."""

    level: Level
    text: str


class _Recent:
    """Sums of a channel's chunks of the last seconds."""

    def __init__(self) -> None:
        self.parts: deque[tuple[float, float, int]] = deque()
        self.newest_s = -math.inf
        self.flagged: dict[int, float] = {}

    def take(self, t_s: float, total: float, n: int) -> None:
        self.parts.append((t_s, total, n))
        self.newest_s = max(self.newest_s, t_s)
        while self.parts and self.parts[0][0] < self.newest_s - MEAN_S:
            self.parts.popleft()

    def mean(self) -> float:
        n = sum(part[2] for part in self.parts)
        return sum(part[1] for part in self.parts) / n if n else math.nan


class Numerals:
    """What the big numerals show."""

    def __init__(self, pens: Sequence[Pen]) -> None:
        self._pens = {pen.name: pen for pen in pens}
        self._factors = power_factors(pens)
        self._recent = {pen.channel: _Recent() for pen in pens}
        self._titles = {pen.channel: pen.title for pen in pens}

    def take(self, chunk: TraceChunk) -> None:
        """Take up a chunk of trace."""
        for channel, recent in self._recent.items():
            if channel not in chunk.values:
                continue
            # Only the last half second counts: a backlog must not be averaged in.
            i = int(np.searchsorted(chunk.time_s, chunk.time_s[-1] - MEAN_S))
            values = chunk.values[channel][i:]
            known = values[np.isfinite(values)]
            recent.take(float(chunk.time_s[-1]), float(known.sum()), len(known))
            j = int(np.searchsorted(chunk.time_s, chunk.time_s[-1] - LATCH_S))
            flags = chunk.flags[channel][j:]
            set_here = int(np.bitwise_or.reduce(flags)) if len(flags) else 0
            for bit in (1, 2, 4, 8):
                if set_here & bit:
                    recent.flagged[bit] = float(chunk.time_s[-1])

    def reading(self, channel: str, now_s: float) -> NumeralReading:
        """The numeral of a channel at this run time."""
        recent = self._recent.get(channel)
        if recent is None:
            return NumeralReading(math.nan, math.inf, 0)
        age = now_s - recent.newest_s
        flags = sum(bit for bit, t in recent.flagged.items() if now_s - t < LATCH_S)
        return NumeralReading(recent.mean() if age < STALE_S else math.nan, age, flags)

    def power_kW(self, now_s: float) -> float:
        """Pull times speed of now; NaN when either is not known, or not measured."""
        if self._factors is None:
            return math.nan
        pull, speed = (self.reading(pen.channel, now_s).value for pen in self._factors)
        return pull * speed

    def alarms(self, now_s: float) -> list[Alarm]:
        """Flags of the last seconds in words, the worst first."""
        found = []
        for channel in self._recent:
            flags = self.reading(channel, now_s).flags
            title = self._titles[channel]
            if flags & flag_bits.SATURATED:
                found.append(
                    Alarm(
                        Level.LOUD,
                        f"{title.upper()} SATURATED: the true value is greater than shown",
                    )
                )
            if flags & flag_bits.OUT_OF_RANGE:
                found.append(Alarm(Level.LOUD, f"{title}: out of the certified range"))
            if flags & flag_bits.EXPIRED:
                found.append(Alarm(Level.WARN, f"{title}: the certificate has expired"))
            if flags & flag_bits.SUSPECT:
                found.append(Alarm(Level.WARN, f"{title}: the device itself reports a fault"))
        return sorted(found, key=lambda a: a.level is not Level.LOUD)
