"""A channel second by second: what its counts did, in a few numbers a second, and its spikes.

Fed in pieces of any length, cut anywhere: the rows are the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

__all__ = ["LOOK", "SPIKE_TIMES", "Approach", "ChannelSeconds", "Second"]

SPIKE_TIMES: Final = 10.0
"""A spike leaves both its neighbours by so many of their usual steps (from experience)."""
SPIKE_FLOOR_QUANTA: Final = 2.0
"""Least usual step taken, in steps of the converter: a quiet signal toggles between two counts."""
SPIKE_LEAST_HZ: Final = 100
"""Samples a second from which a spike can be told: slack that runs in pulls for some hundredths
of a second, which a slower channel shows as one sample (from experience)."""
STAYS: Final = 0.5
"""Share of a spike by which its neighbours may differ: more is a step that stays."""
LOOK: Final = 5
"""Samples to either side that a spike is held against."""
STEPS_LOOKED_AT: Final = 256
"""Of a second, evenly spread, for its median: plenty, and cheap at any rate."""


class Approach(NamedTuple):
    """How a counter came to where it is: over some time before it last changed."""

    took_s: float
    moved: float
    """With its sign."""
    largest: float
    """Largest step of it between neighbours, taken as positive."""


class Second(NamedTuple):
    """One second of a channel; records are counted from the first of the run."""

    second: int
    """Whole run time of its samples, rounded down, s."""
    n: int
    """Known samples."""
    first_record: int
    stop_record: int
    t_first_s: float
    t_last_s: float
    first: float
    last: float
    mean: float
    changes: int
    """Samples that differ from the one before, the last of the second before included."""
    change_record: int
    """The first that differs; ``stop_record`` when none does."""
    change_s: float
    still_record: int
    """From which on all are as the last; ``first_record`` when none differs."""
    still_s: float
    step: float
    """Median step between neighbours, taken as positive."""
    quantum: float
    """Smallest step seen so far: the resolution; 0 while nothing has changed."""
    spikes: int
    railed: int
    approach: tuple[Approach, ...] = ()
    """One for each time looked back over, where something is known of it."""


@dataclass(slots=True)
class _Held:
    """Samples that are not done with."""

    t_s: NDArray[np.float64]
    values: NDArray[Any]
    records: NDArray[np.int64]
    seconds: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.t_s)

    def then(self, other: _Held) -> _Held:
        pairs = (
            (self.t_s, other.t_s),
            (self.values, other.values),
            (self.records, other.records),
            (self.seconds, other.seconds),
        )
        return _Held(*(np.concatenate(pair) for pair in pairs))

    def since(self, i: int) -> _Held:
        return _Held(self.t_s[i:], self.values[i:], self.records[i:], self.seconds[i:])


@dataclass(slots=True)
class ChannelSeconds:
    """Rows of one channel, made as its samples come.

    Parameters
    ----------
    rails
        Lowest and highest count of the converter; ``None``: not known, or no counts.
    spikes
        Whether single samples can be spikes: not of a counter, which only counts.
    looks_back_s
        Times before the last change over which it is kept how the count came there.
    """

    rails: tuple[float, float] | None = None
    spikes: bool = True
    looks_back_s: tuple[float, ...] = ()
    _held: _Held | None = None
    _behind: int = 0
    """Of the held samples those of seconds that are done: neighbours of the next."""
    _records: int = 0
    _seen_s: float = -math.inf
    _quantum: float = 0.0
    _found: list[NDArray[np.int64]] = field(default_factory=list)

    def feed(self, time_s: NDArray[np.float64], values: NDArray[Any]) -> list[Second]:
        """Take up the next (n,) samples with their run times, never falling; NaN: not known.

        Returns the seconds that are over by now.
        """
        records = np.arange(self._records, self._records + len(time_s))
        self._records += len(time_s)
        if len(time_s):
            self._seen_s = float(time_s[-1])
        if values.dtype.kind == "f":
            known = np.isfinite(values)
            if not known.all():
                time_s, values, records = time_s[known], values[known], records[known]
        if not len(time_s):
            return []
        seconds = np.floor(time_s).astype(np.int64)
        new = _Held(time_s, values, records, seconds)
        self._held = new if self._held is None else self._held.then(new)
        return self._over(int(self._held.seconds[-1]), LOOK if self.spikes else 1)

    @property
    def open_second(self) -> float:
        """The first of which more may come: all before it have been handed on."""
        held = self._held
        if held is not None and self._behind < len(held):
            return float(held.seconds[self._behind])
        return math.floor(self._seen_s) if math.isfinite(self._seen_s) else self._seen_s

    def finish(self) -> list[Second]:
        """The seconds that were not over."""
        if self._held is None:
            return []
        return self._over(int(self._held.seconds[-1]) + 1, 0)

    def take_spikes(self) -> NDArray[np.int64]:
        """Records (k,) found to be spikes since this was last asked, rising."""
        found, self._found = self._found, []
        return np.concatenate(found) if found else np.zeros(0, np.int64)

    def _over(self, before: int, beyond: int) -> list[Second]:
        """Rows of all seconds below ``before`` with ``beyond`` samples after their end."""
        held = self._held
        assert held is not None
        rows = []
        start = self._behind
        while start < len(held):
            second = int(held.seconds[start])
            stop = start + int(np.searchsorted(held.seconds[start:], second, side="right"))
            if second >= before or stop + beyond > len(held):
                break
            rows.append(self._row(held, start, stop))
            start = stop
        kept = max(start - LOOK - 1, 0)
        if self.looks_back_s and start:
            since_s = held.t_s[start - 1] - max(self.looks_back_s)
            kept = min(kept, int(np.searchsorted(held.t_s, since_s)))
        self._held, self._behind = held.since(kept), start - kept
        return rows

    def _row(self, held: _Held, start: int, stop: int) -> Second:
        x = held.values[start:stop]
        before = max(start - 1, 0)
        steps = np.abs(np.diff(held.values[before:stop].astype(np.float64, copy=False)))
        # The very first sample of a run has none before it, and counts as no change.
        moved = np.flatnonzero(steps) + (before + 1)
        usual, taken = self._usual(steps)
        spikes = self._spikes(held, start, stop, steps, taken) if self.spikes else 0
        first, last = (int(moved[0]), int(moved[-1])) if len(moved) else (stop, start)
        return Second(
            second=int(held.seconds[start]),
            n=stop - start,
            first_record=int(held.records[start]),
            stop_record=int(held.records[stop - 1]) + 1,
            t_first_s=float(held.t_s[start]),
            t_last_s=float(held.t_s[stop - 1]),
            first=float(x[0]),
            last=float(x[-1]),
            mean=float(x.mean(dtype=np.float64)),
            changes=len(moved),
            change_record=int(held.records[min(first, stop - 1)]) + int(first == stop),
            change_s=float(held.t_s[min(first, stop - 1)]),
            still_record=int(held.records[last]),
            still_s=float(held.t_s[last]),
            step=usual,
            quantum=self._quantum,
            spikes=spikes,
            railed=self._railed(x),
            approach=tuple(self._approach(held, last)) if len(moved) else (),
        )

    def _approach(self, held: _Held, last: int) -> Iterator[Approach]:
        for back_s in self.looks_back_s:
            since = int(np.searchsorted(held.t_s, held.t_s[last] - back_s))
            took_s = float(held.t_s[last] - held.t_s[since])
            if took_s > 0.0:
                steps = np.diff(held.values[since : last + 1].astype(np.float64))
                yield Approach(took_s, float(steps.sum()), float(np.abs(steps).max()))

    def _usual(self, steps: NDArray[np.float64]) -> tuple[float, float]:
        """Median step, and that of those which were steps at all; the smallest is noted."""
        if not len(steps):
            return 0.0, 0.0
        some = np.sort(steps[:: -(-len(steps) // STEPS_LOOKED_AT)])
        nothing = int(np.searchsorted(some, 0.0, side="right"))
        if nothing == len(some):
            return 0.0, 0.0
        least = float(some[nothing])
        self._quantum = min(self._quantum, least) if self._quantum else least
        return float(some[len(some) // 2]), float(some[(nothing + len(some)) // 2])

    def _railed(self, values: NDArray[Any]) -> int:
        if self.rails is None:
            return 0
        low, high = self.rails
        if values.min() > low and values.max() < high:
            return 0
        return int(np.count_nonzero((values <= low) | (values >= high)))

    def _spikes(
        self, held: _Held, start: int, stop: int, steps: NDArray[np.float64], usual: float
    ) -> int:
        limit = SPIKE_TIMES * max(usual, SPIKE_FLOOR_QUANTA * self._quantum)
        if stop - start < SPIKE_LEAST_HZ or not steps.max() > limit:
            return 0
        low, high = max(start - LOOK, 0), min(stop + LOOK, len(held))
        found = low + _leaving(held.values[low:high].astype(np.float64), limit)
        found = found[(found >= start) & (found < stop)]
        # Beside a gap the neighbours are none.
        apart_s = held.t_s[found + 1] - held.t_s[found - 1]
        found = found[apart_s <= 4.0 / (stop - start)]
        if len(found):
            self._found.append(held.records[found])
        return len(found)


def _leaving(x: NDArray[np.float64], limit: float) -> NDArray[np.int64]:
    """Indices of (m,) samples that leave both neighbours and are not followed there."""
    step = np.diff(x)
    height = np.minimum(np.abs(step[:-1]), np.abs(step[1:]))
    found = np.flatnonzero((height > limit) & (step[:-1] * step[1:] < 0.0)) + 1
    if not len(found):
        return found
    height = height[found - 1]
    stays = np.abs(x[found + 1] - x[found - 1]) > STAYS * height
    # Ringing has steps of its own kind all around it.
    beside = np.concatenate((np.arange(-LOOK, -1), np.arange(1, LOOK)))
    at = found[:, None] + beside
    inside = (at >= 0) & (at < len(step))
    around = np.where(inside, np.abs(step[np.clip(at, 0, len(step) - 1)]), np.nan)
    usual = np.nanmedian(around, axis=1)
    return np.asarray(found[~stays & (height > SPIKE_TIMES * usual)])
