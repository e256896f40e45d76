"""A channel second by second: what its counts did, in a few numbers a second, and its spikes.

Fed in pieces of any length, cut anywhere: the rows are the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import repeat
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

__all__ = ["LOOK", "SPIKE_TIMES", "Approach", "ChannelSeconds", "Second", "means"]

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
        if self._behind == len(held) or held.seconds[self._behind] >= before:
            return []
        seconds = held.seconds[self._behind :]
        edges = np.flatnonzero(seconds[1:] != seconds[:-1]) + (self._behind + 1)
        starts = np.concatenate(([self._behind], edges))
        stops = np.concatenate((edges, [len(held)]))
        over = (held.seconds[starts] < before) & (stops + beyond <= len(held))
        if not over.all():
            n = int(np.argmin(over))
            starts, stops = starts[:n], stops[:n]
        if not len(stops):
            return []
        rows = self._rows(held, starts, stops)
        start = int(stops[-1])
        kept = max(start - LOOK - 1, 0)
        if self.looks_back_s:
            since_s = held.t_s[start - 1] - max(self.looks_back_s)
            kept = min(kept, int(np.searchsorted(held.t_s, since_s)))
        self._held, self._behind = held.since(kept), start - kept
        return rows

    def _rows(
        self, held: _Held, starts: NDArray[np.intp], stops: NDArray[np.intp]
    ) -> list[Second]:
        """One for each second, from its first sample to before its stop; each begins where the
        one before stops. A recording is thousands of them: they are worked out together.
        """
        x = held.values[: stops[-1]].astype(np.float64)
        steps = np.abs(np.diff(x))
        usual, taken, quantum = self._usual(steps, starts, stops)
        # The very first sample of a run has none before it, and counts as no change.
        moved = np.flatnonzero(steps) + 1
        low, high = np.searchsorted(moved, starts), np.searchsorted(moved, stops)
        changes = high - low
        moved = np.concatenate((moved, [0]))
        first = np.where(changes > 0, moved[low], stops)
        last = np.where(changes > 0, moved[high - 1], starts)
        ends = stops - 1
        changed = np.minimum(first, ends)
        columns = (
            held.seconds[starts], stops - starts, held.records[starts], held.records[ends] + 1,
            held.t_s[starts], held.t_s[ends], x[starts], x[ends], means(x, starts, stops),
            changes, held.records[changed] + (first == stops),
            held.t_s[changed], held.records[last], held.t_s[last],
            usual, quantum, self._spikes(held, (starts, stops), steps, (taken, quantum)),
            self._railed(x, starts),
        )  # fmt: skip
        approach = (
            [
                tuple(self._approach(held, at)) if n else ()
                for at, n in zip(last.tolist(), changes.tolist(), strict=True)
            ]
            if self.looks_back_s
            else repeat(())
        )
        return list(map(Second, *(column.tolist() for column in columns), approach))

    def _approach(self, held: _Held, last: int) -> Iterator[Approach]:
        for back_s in self.looks_back_s:
            since = int(np.searchsorted(held.t_s, held.t_s[last] - back_s))
            took_s = float(held.t_s[last] - held.t_s[since])
            if took_s > 0.0:
                steps = np.diff(held.values[since : last + 1].astype(np.float64))
                yield Approach(took_s, float(steps.sum()), float(np.abs(steps).max()))

    def _usual(
        self, steps: NDArray[np.float64], starts: NDArray[np.intp], stops: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """(n,) median step, that of those which were steps at all, and the smallest so far."""
        usual, taken = np.zeros(len(starts)), np.zeros(len(starts))
        least = np.full(len(starts), np.inf)
        into = np.maximum(starts, 1)
        for of, n in _alike(into, stops):
            every = np.arange(0, n, -(-n // STEPS_LOOKED_AT))
            some = np.sort(steps[into[of, None] - 1 + every], axis=1)
            nothing = np.count_nonzero(some == 0.0, axis=1)
            row, end = np.arange(len(some)), len(every) - 1
            usual[of] = some[:, len(every) // 2]
            taken[of] = some[row, np.minimum((nothing + len(every)) // 2, end)]
            smallest = some[row, np.minimum(nothing, end)]
            least[of] = np.where(nothing <= end, smallest, np.inf)
        least[0] = min(least[0], self._quantum or np.inf)
        quantum = np.minimum.accumulate(least)
        quantum[np.isinf(quantum)] = 0.0
        self._quantum = float(quantum[-1])
        return usual, taken, quantum

    def _railed(self, x: NDArray[np.float64], starts: NDArray[np.intp]) -> NDArray[np.int64]:
        if self.rails is None:
            return np.zeros(len(starts), np.int64)
        low, high = self.rails
        return np.add.reduceat((x <= low) | (x >= high), starts, dtype=np.int64)

    def _spikes(
        self,
        held: _Held,
        rows: tuple[NDArray[np.intp], NDArray[np.intp]],
        steps: NDArray[np.float64],
        sizes: tuple[NDArray[np.float64], NDArray[np.float64]],
    ) -> NDArray[np.int64]:
        """(n,) of each second from its start to its stop, by usual step and smallest step."""
        (starts, stops), (usual, quantum) = rows, sizes
        found = np.zeros(len(starts), np.int64)
        if not self.spikes or not (fast := stops - starts >= SPIKE_LEAST_HZ).any():
            return found
        limit = SPIKE_TIMES * np.maximum(usual, SPIKE_FLOOR_QUANTA * quantum)
        largest = np.maximum.reduceat(steps, np.maximum(starts - 1, 0))
        for i in np.flatnonzero(fast & (largest > limit)).tolist():
            found[i] = self._spikes_of(held, int(starts[i]), int(stops[i]), float(limit[i]))
        return found

    def _spikes_of(self, held: _Held, start: int, stop: int, limit: float) -> int:
        low, high = max(start - LOOK, 0), min(stop + LOOK, len(held))
        found = low + _leaving(held.values[low:high].astype(np.float64), limit)
        found = found[(found >= start) & (found < stop)]
        # Beside a gap the neighbours are none.
        apart_s = held.t_s[found + 1] - held.t_s[found - 1]
        found = found[apart_s <= 4.0 / (stop - start)]
        if len(found):
            self._found.append(held.records[found])
        return len(found)


def means(
    x: NDArray[np.float64], starts: NDArray[np.intp], stops: NDArray[np.intp]
) -> NDArray[np.float64]:
    """(n,) means of the stretches of ``x``, to the last bit as of each alone; NaN of none."""
    found = np.full(len(starts), np.nan)
    for of, n in _alike(starts, stops):
        found[of] = x[starts[of, None] + np.arange(n)].mean(axis=1)
    return found


def _alike(
    starts: NDArray[np.intp], stops: NDArray[np.intp]
) -> Iterator[tuple[NDArray[np.intp], int]]:
    """Those of one length, with it, length by length; none that are empty."""
    lengths = stops - starts
    if len(lengths) == 1 and lengths[0]:
        yield np.zeros(1, np.intp), int(lengths[0])
        return
    for n in np.unique(lengths).tolist():
        if n > 0:
            yield np.flatnonzero(lengths == n), n


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
