"""What the measuring wheel says of the whole run, thinned to what placing needs.

Twelve hours of wheel records are millions; placing needs the distance at the instants of marks
and fixes to a millimetre or two, and the turning points. Ten points a second give both.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.parts.quantities import FASTEST_M_S
from recorder.track.placing.errors import PlacingError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["STEP_S", "Break", "BreakCause", "WheelTrack", "join"]

STEP_S: Final = 0.1
TURN_M: Final = 1.0
"""A movement back by less is rocking, not a reversal."""


class BreakCause(StrEnum):
    """Why the wheel's distance had to be joined. Companions hold these words."""

    LOST = "lost"
    """Counts were lost."""
    SLID = "slid"
    """The wheel did not turn as the train moved."""


@dataclass(frozen=True, slots=True)
class Break:
    """A place where the wheel's distance had to be joined again."""

    t_s: float
    add_m: float
    """Added to the wheel's distance from here on (and to that of later breaks)."""
    u_m: float
    """Standard uncertainty of the join."""
    cause: BreakCause = BreakCause.LOST


@dataclass(frozen=True)
class WheelTrack:
    """Signed wheel distance (nominal metres, + forward) against run time, thinned."""

    t_s: NDArray[np.float64]
    d_m: NDArray[np.float64]
    """Joined across breaks."""
    breaks: tuple[Break, ...] = ()

    @classmethod
    def from_blocks(
        cls,
        blocks: Iterable[tuple[NDArray[np.float64], NDArray[np.float64]]],
        *,
        restarts_s: Sequence[float] = (),
    ) -> WheelTrack:
        """From consecutive blocks of time and distance, thinned as they come.

        Parameters
        ----------
        restarts_s
            Run times of the first good samples after the counter is known to have begun anew;
            the distance meanwhile is taken from the speed before.

        Raises
        ------
        PlacingError
            There is not one sample with a distance.
        """
        kept_t: list[NDArray[np.float64]] = []
        kept_d: list[NDArray[np.float64]] = []
        last_bin = -np.inf
        tail: tuple[float, float] | None = None
        for t, d in blocks:
            good = np.isfinite(t) & np.isfinite(d)
            t, d = t[good], d[good]
            if not t.size:
                continue
            bins = np.floor(t / STEP_S)
            # Both sides of a jump are kept, or the jump would be smeared over a step.
            keep = np.diff(bins, prepend=last_bin) > 0
            jump = np.abs(np.diff(d)) > 5.0 + FASTEST_M_S * np.diff(t)
            keep[:-1] |= jump
            keep[1:] |= jump
            kept_t.append(t[keep])
            kept_d.append(d[keep])
            last_bin = max(last_bin, float(bins[-1]))
            tail = (float(t[-1]), float(d[-1]))
        if tail is None:
            msg = "the run has no wheel distance to place"
            raise PlacingError(msg)
        t = np.append(np.concatenate(kept_t), tail[0])
        d = np.append(np.concatenate(kept_d), tail[1])
        forward = np.concatenate(([True], np.diff(np.maximum.accumulate(t)) > 0))
        return cls._joined(t[forward], d[forward], restarts_s)

    @classmethod
    def _joined(
        cls, t: NDArray[np.float64], d: NDArray[np.float64], restarts_s: Sequence[float]
    ) -> WheelTrack:
        step, dt = np.diff(d), np.diff(t)
        at = set(np.flatnonzero(np.abs(step) > 5.0 + FASTEST_M_S * dt).tolist())
        for restart in restarts_s:
            # The recorder joins a restarted counter as if the car had stood meanwhile.
            i = int(np.searchsorted(t, restart)) - 1
            near = range(max(0, i - 2), min(step.size, i + 3))
            if near:
                at.add(max(near, key=lambda j: float(dt[j])))
        out = d.copy()
        breaks: list[Break] = []
        for i in sorted(at):
            speed = _speed(t, d, i)
            add = speed * dt[i] - step[i]
            out[i + 1 :] += add
            u = 2.0 + 0.3 * abs(speed) * float(dt[i])
            breaks.append(Break(float(t[i + 1]), float(add), u))
        return cls(t, out, tuple(breaks))

    def raw(self) -> NDArray[np.float64]:
        """Distance of the samples as recorded, before breaks were joined, (n,)."""
        return self.d_m - (join(self.breaks, self.t_s, self.d_m) - self.d_m)

    def distance(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Joined distance at each time; held before the first and after the last sample."""
        return np.interp(np.asarray(t_s, dtype=np.float64), self.t_s, self.d_m)

    def speed(self, t_s: ArrayLike, half_s: float = 0.5) -> NDArray[np.float64]:
        """Mean wheel speed around each time, m/s, + forward."""
        t = np.asarray(t_s, dtype=np.float64)
        return (self.distance(t + half_s) - self.distance(t - half_s)) / (2.0 * half_s)

    @cached_property
    def _path(self) -> NDArray[np.float64]:
        return np.concatenate(([0.0], np.cumsum(np.abs(np.diff(self.d_m)))))

    def path(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Metres rolled, forward and back, from the first sample to each time."""
        return np.interp(np.asarray(t_s, dtype=np.float64), self.t_s, self._path)

    @cached_property
    def turns_s(self) -> NDArray[np.float64]:
        """Times of the reversals: where the car had gone back by :data:`TURN_M`, the extreme
        before it."""
        turns: list[float] = []
        low = high = 0
        way = 0
        d = self.d_m
        # Only samples beyond the last extreme matter; standing time costs nothing.
        moved = np.concatenate(([0], np.flatnonzero(np.diff(d) != 0.0) + 1))
        for i, value in zip(moved.tolist(), d[moved].tolist(), strict=True):
            if value > d[high]:
                high = i
            if value < d[low]:
                low = i
            if way >= 0 and d[high] - value > TURN_M:
                if way > 0:
                    turns.append(float(self.t_s[high]))
                way, low = -1, i
            elif way <= 0 and value - d[low] > TURN_M:
                if way < 0:
                    turns.append(float(self.t_s[low]))
                way, high = 1, i
        return np.array(turns)


def _speed(t: NDArray[np.float64], d: NDArray[np.float64], i: int) -> float:
    """Speed in the two seconds up to sample i."""
    j = int(np.searchsorted(t, t[i] - 2.0))
    return float((d[i] - d[j]) / (t[i] - t[j])) if i > j else 0.0


def join(
    breaks: Sequence[Break], t_s: NDArray[np.float64], d_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Raw wheel distance with every break before each time added, (n,)."""
    if not breaks:
        return d_m
    at = np.searchsorted([b.t_s for b in breaks], t_s, side="right")
    added = np.concatenate(([0.0], np.cumsum([b.add_m for b in breaks])))
    return np.asarray(d_m + added[at])
