"""Minimum and maximum of a growing trace at several coarsenesses, so that a frame costs the
width of the screen and not the length of the run.

Level 0 holds samples; a bin of level k covers ``factor`` bins of level k − 1, in two parts if the
line is broken among them. Each level keeps its newest ``capacity`` bins, so memory is bounded and
the older a stretch, the coarser it is.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["AXES", "Columns", "Pyramid"]

AXES: Final = ("time", "distance")


@dataclass(frozen=True, slots=True)
class Columns:
    """What to draw: one entry a column of the screen that holds anything."""

    x: NDArray[np.float64]
    """(n,) in seconds or metres, rising."""
    low: NDArray[np.float64]
    """(n,) NaN where nothing is known."""
    high: NDArray[np.float64]
    joined: NDArray[np.bool_]
    """(n,) True where the column is joined to the one before it: no gap lies between."""

    def __getitem__(self, part: slice) -> Columns:
        return Columns(self.x[part], self.low[part], self.high[part], self.joined[part])

    def extent(self) -> tuple[float, float] | None:
        """Lowest and highest value; None when there is none."""
        if not np.any(np.isfinite(self.low)):
            return None
        return float(np.nanmin(self.low)), float(np.nanmax(self.high))


_ROW: Final = np.dtype(
    [("t", "<f8"), ("d", "<f8"), ("low", "<f4"), ("high", "<f4"), ("broken", "?")]
)


class _Level:
    """The newest ``capacity`` rows, always in one piece of memory."""

    def __init__(self, capacity: int) -> None:
        self.capacity = capacity
        self.total = 0
        """Rows ever appended."""
        self.taken = 0
        """Rows of the level below that are in them."""
        self._held = 0
        self._rows = np.empty(2 * capacity, dtype=_ROW)

    def append(self, rows: NDArray[np.void]) -> None:
        self.total += len(rows)
        rows = rows[-self.capacity :]
        if self._held + len(rows) > len(self._rows):
            keep = self.capacity - len(rows)
            self._rows[:keep] = self._rows[self._held - keep : self._held].copy()
            self._held = keep
        self._rows[self._held : self._held + len(rows)] = rows
        self._held += len(rows)

    @property
    def rows(self) -> NDArray[np.void]:
        return self._rows[max(0, self._held - self.capacity) : self._held]

    @property
    def first(self) -> int:
        """Number of the oldest row still held."""
        return self.total - min(self._held, self.capacity)

    def since(self, number: int) -> NDArray[np.void]:
        """Rows from the given number on; what is no longer held is left out."""
        return self.rows[max(0, number - self.first) :]


class Pyramid:
    """One pen's memory. Not thread-safe: one thread appends and asks."""

    def __init__(self, *, capacity: int = 1 << 16, factor: int = 8, levels: int = 6) -> None:
        if capacity < factor * factor or factor < 2 or levels < 1:
            msg = f"pyramid: capacity {capacity}, factor {factor}, levels {levels} make none"
            raise ValueError(msg)
        self.factor = factor
        self._levels = [_Level(capacity) for _ in range(levels)]
        self._break_next = True

    @property
    def samples(self) -> int:
        """Samples ever appended."""
        return self._levels[0].total

    def append(self, t_s: ArrayLike, path_m: ArrayLike, values: ArrayLike) -> None:
        """Append (n,) samples: rising time in s, rising paper distance in m, value.

        A NaN value is a sample that is not known: the trace is broken there.
        """
        value = np.asarray(values, dtype=np.float32)
        rows = np.empty(len(value), dtype=_ROW)
        rows["t"], rows["d"], rows["low"], rows["high"] = t_s, path_m, value, value
        rows["broken"] = np.isnan(value)
        step = self._levels[0].capacity // 2
        for start in range(0, len(rows), step):
            part = rows[start : start + step]
            if self._break_next:
                part["broken"][0], self._break_next = True, False
            self._levels[0].append(part)
            self._coarsen()

    def break_line(self) -> None:
        """The next sample is not joined to the last one."""
        self._break_next = True

    def _coarsen(self) -> None:
        for below, level in zip(self._levels, self._levels[1:], strict=False):
            ready = (below.total - level.taken) // self.factor * self.factor
            if ready == 0:
                return
            level.append(_merged(below.since(level.taken)[:ready], self.factor))
            level.taken += ready

    def columns(
        self, axis: str, x0: float, x1: float, width: float, *, whole: float = 0.0
    ) -> Columns:
        """The trace from x0 to x1 as columns of the given width (s or m).

        Column bounds lie at whole multiples of ``width``, so that a trace that moves keeps its
        shape. Cost grows with the number of columns, not with the number of samples: with those
        of ``whole``, of which this may be a part.
        """
        name = "t" if axis == "time" else "d"
        most = max(64.0, 16.0 * max(x1 - x0, whole) / width)
        rows = self._rows_for(name, x0, x1, most)
        if len(rows) == 0:
            nothing = np.empty(0, dtype=np.float64)
            return Columns(nothing, nothing, nothing, np.empty(0, dtype=np.bool_))
        number = np.floor(rows[name] / width).astype(np.int64)
        starts = np.flatnonzero(np.concatenate(([True], np.diff(number) > 0)))
        # A column of one row keeps the row's own place: sparse samples stay where they are.
        alone = np.diff(np.append(starts, len(rows))) == 1
        x = np.where(alone, rows[name][starts], (number[starts] + 0.5) * width)
        broken = np.logical_or.reduceat(rows["broken"], starts)
        return Columns(
            x=x,
            low=np.fmin.reduceat(rows["low"], starts).astype(np.float64),
            high=np.fmax.reduceat(rows["high"], starts).astype(np.float64),
            joined=~broken,
        )

    def _rows_for(self, name: str, x0: float, x1: float, most: float) -> NDArray[np.void]:
        """Rows of the finest level that reaches back to x0 and is not too many, newest tail of
        the finer levels included, one row of margin at each side."""
        for k, level in enumerate(self._levels):
            x = level.rows[name]
            if len(x) == 0:
                break
            # One field of many is not in one piece of memory: searchsorted would copy all of it.
            i = max(0, bisect_left(x, x0) - 1)
            j = bisect_right(x, x1) + 1
            last = k + 1 == len(self._levels) or self._levels[k + 1].total == 0
            reaches = level.first == 0 or x[0] <= x0
            if last or (reaches and j - i <= most):
                parts: list[Any] = [level.rows[i:j]]
                if j > len(x):
                    parts += self._tails(k)
                return np.concatenate(parts)
        return np.empty(0, dtype=_ROW)

    def _tails(self, k: int) -> list[NDArray[np.void]]:
        """What the finer levels hold that level k has not yet taken up, oldest first."""
        return [
            self._levels[coarse - 1].since(self._levels[coarse].taken)
            for coarse in range(k, 0, -1)
        ]


def _merged(rows: NDArray[np.void], factor: int) -> NDArray[np.void]:
    """(n,) bins → bins of the next level, each of ``factor``.

    What follows the last break among them is a bin of its own: a bin over both sides of a gap
    would be joined across it, and would show before it what came after.
    """
    whole = np.arange(0, len(rows), factor)
    within = rows["broken"].reshape(-1, factor)[:, 1:]
    last = whole + factor - 1 - np.argmax(within[:, ::-1], axis=1)
    starts = np.sort(np.concatenate((whole, last[within.any(axis=1)])))
    out: NDArray[np.void] = rows[starts]
    out["low"] = np.fmin.reduceat(rows["low"], starts)
    out["high"] = np.fmax.reduceat(rows["high"], starts)
    out["broken"] = np.logical_or.reduceat(rows["broken"], starts)
    return out
