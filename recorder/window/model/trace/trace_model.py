"""The traces: what the pens have drawn, against time or against distance. No Qt here."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.window.model.trace.moving import MovingColumns
from recorder.window.model.trace.pens import POWER, Pen, power_factors
from recorder.window.model.trace.pyramid import Columns, Pyramid
from recorder.window.model.trace.rail_spans import RailSpans

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    from recorder.window.model.trace.trace_chunk import TraceChunk

__all__ = ["GapSpan", "PaperPath", "TraceModel"]

_ROCKING_M: Final = 0.05
"""A wheel that rocks in place by less than this does not move the paper."""
_GAPS_KEPT: Final = 512
_LATE_S: Final = 1.0
"""Power waits so long for a pull that is late, then shows that there is none."""
_UNTOLD_S: Final = 3.0
"""A receiver tells its speed once a second (from experience); so long without one is a break."""


@dataclass(frozen=True, slots=True)
class GapSpan:
    """Data missing on one device's pens."""

    device: str
    t0_s: float
    t1_s: float
    d0_m: float
    d1_m: float


class PaperPath:
    """How far the paper has moved: it always goes forward, also when the train sets back."""

    def __init__(self, keep: int = 1 << 17) -> None:
        self.moved_m = 0.0
        self._anchor_m: float | None = None
        # A time and a distance a column: each row in one piece, as interpolation needs it.
        self._points = np.empty((2, 2 * keep), dtype=np.float64)
        self._n = 0
        self._keep = keep

    @property
    def known(self) -> bool:
        """Whether any distance was ever measured."""
        return self._n > 0

    def append(self, t_s: NDArray[np.float64], distance_m: NDArray[np.float64]) -> None:
        """(n,) times and the train's distances, which may fall."""
        moved = np.empty(len(t_s), dtype=np.float64)
        anchor, total = self._anchor_m, self.moved_m
        for i, at in enumerate(distance_m.tolist()):
            if at == at:  # not NaN
                if anchor is None:
                    anchor = at
                elif abs(at - anchor) >= _ROCKING_M:
                    total += abs(at - anchor)
                    anchor = at
            moved[i] = total
        self._anchor_m, self.moved_m = anchor, total
        points = np.stack((t_s, moved))[:, -self._keep :]
        new = points.shape[1]
        if self._n + new > self._points.shape[1]:
            kept = self._points[:, self._n - self._keep + new : self._n].copy()
            self._n = kept.shape[1]
            self._points[:, : self._n] = kept
        self._points[:, self._n : self._n + new] = points
        self._n += new

    def at(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Paper distance at (...) times, m; 0 before any is known."""
        if self._n == 0:
            return np.zeros(np.shape(t_s), dtype=np.float64)
        at, moved = self._points[:, : self._n]
        return np.asarray(np.interp(np.asarray(t_s, np.float64), at, moved))

    def covers(self, t_s: float) -> bool:
        """Whether the time is not before what is remembered."""
        return self._n > 0 and t_s >= self._points[0, 0]


class _Power:
    """Drawbar power from two streams that do not arrive together: mean pull since the last
    speed, times speed."""

    def __init__(self) -> None:
        self._pull_t = np.empty(0)
        self._pull = np.empty(0)
        self._waiting: deque[tuple[float, float, float]] = deque()
        self._last_s = -np.inf
        self._received_s = -np.inf

    def pull(self, t_s: NDArray[np.float64], pull_kN: NDArray[np.float64]) -> None:
        self._pull_t = np.concatenate((self._pull_t, t_s))
        self._pull = np.concatenate((self._pull, pull_kN))

    def speed(
        self, t_s: NDArray[np.float64], speed_m_s: NDArray[np.float64], received_s: float
    ) -> None:
        self._received_s = max(self._received_s, received_s)
        came = (received_s,) * len(t_s)
        self._waiting.extend(zip(t_s.tolist(), speed_m_s.tolist(), came, strict=True))

    def ready(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(n,) times in s and powers in kW that can be told by now."""
        if not self._waiting:
            self._forget(self._last_s)
            return np.empty(0), np.empty(0)
        newest = self._pull_t[-1] if len(self._pull_t) else -np.inf
        given_up = self._received_s - _LATE_S
        rows = []
        while self._waiting and (
            self._waiting[0][0] <= newest or self._waiting[0][2] < given_up
        ):
            rows.append(self._waiting.popleft()[:2])
        if not rows:
            return np.empty(0), np.empty(0)
        t_s, speed = np.array(rows).T
        total = np.concatenate(([0.0], np.cumsum(self._pull)))
        i = np.searchsorted(self._pull_t, np.append(self._last_s, t_s), side="right")
        n = np.diff(i)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(n > 0, np.diff(total[i]) / n, np.nan)
        self._last_s = float(t_s[-1])
        self._forget(self._last_s)
        return t_s, mean * speed

    def _forget(self, t_s: float) -> None:
        i = int(np.searchsorted(self._pull_t, t_s, side="right"))
        # Without any speed the pulls must not pile up.
        i = max(i, len(self._pull_t) - (1 << 20))
        self._pull_t, self._pull = self._pull_t[i:], self._pull[i:]


class TraceModel:
    """What every pen has drawn. One thread feeds and asks (the window's)."""

    def __init__(self, pens: Sequence[Pen], *, distance_channel: str = "distance") -> None:
        self.pens = tuple(pens)
        self.path = PaperPath()
        self.newest_s = 0.0
        """Run time of the newest sample of any pen."""
        self.distance_m = float("nan")
        """The train's distance by its wheel, as last known."""
        self.distance_s = -math.inf
        """Run time at which it was."""
        self.gaps: deque[GapSpan] = deque(maxlen=_GAPS_KEPT)
        self.railed = RailSpans()
        self.silent: frozenset[str] = frozenset()
        """Devices of which nothing comes: their gap is open."""
        self.not_drawn_blocks = 0
        """Blocks this window was too slow for; the recording has them."""
        self._distance = distance_channel
        self.measures_distance = bool(distance_channel)
        """Whether a wheel with a certificate tells the distance."""
        self._memory = {pen.name: Pyramid() for pen in pens}
        self._drawn = {name: MovingColumns(memory) for name, memory in self._memory.items()}
        self._last_s: dict[str, float] = {}
        self._told_s: dict[str, float] = {}
        """Pen of a receiver's speed → run time when one was last told."""
        self._power = _Power()
        self._factors = power_factors(pens)

    def take(self, chunk: TraceChunk) -> None:
        """Draw one chunk. Feed the wheel before the others, so that distance is at hand."""
        if self._distance in chunk.values:
            distance = chunk.values[self._distance]
            self.path.append(chunk.time_s, distance)
            known = distance[np.isfinite(distance)]
            if len(known):
                self.distance_m = float(known[-1])
                self.distance_s = float(chunk.time_s[np.isfinite(distance)][-1])
        self.not_drawn_blocks += chunk.lost_blocks
        pens = [pen for pen in self.pens if pen.device == chunk.device]
        if pens:
            path_m = self.path.at(chunk.time_s)
            for pen in pens:
                told, breaks = self._told(pen, chunk)
                self._draw(pen, chunk, path_m, told, breaks)
                self._feed_power(pen, chunk, told, breaks)
            self.newest_s = max(self.newest_s, float(chunk.time_s[-1]))
            self._note_gaps(chunk)
            t_s, power_kW = self._power.ready()
            if len(t_s):
                self._memory[POWER].append(t_s, self.path.at(t_s), power_kW)
        self._last_s[chunk.device] = float(chunk.time_s[-1])

    def distances(self, chunk: TraceChunk) -> Iterator[tuple[float, float]]:
        """Run times in s and the train's distances in m that a chunk tells, the last of each half
        second."""
        if self._distance in chunk.values:
            distance = chunk.values[self._distance]
            known = np.isfinite(distance)
            t_s = chunk.time_s[known]
            last = np.flatnonzero(np.diff(np.floor(2.0 * t_s), append=np.inf) > 0)
            yield from zip(t_s[last].tolist(), distance[known][last].tolist(), strict=True)

    def _draw(
        self,
        pen: Pen,
        chunk: TraceChunk,
        path_m: NDArray[np.float64],
        told: NDArray[np.intp],
        breaks: NDArray[np.intp],
    ) -> None:
        memory, values = self._memory[pen.name], chunk.values[pen.channel]
        railed = chunk.flags[pen.channel] & np.uint8(flag_bits.SATURATED) != 0
        self.railed.note(pen.name, chunk.time_s[railed], path_m[railed], values[railed])
        start = 0
        for stop in [*breaks.tolist(), None]:
            part = told[start:stop]
            if len(part):
                memory.append(chunk.time_s[part], path_m[part], values[part])
            if stop is not None:
                memory.break_line()
                start = stop

    def _told(self, pen: Pen, chunk: TraceChunk) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Records that tell the pen's value, and before which of them its line is broken: of a
        receiver's sentences those without a speed are no gap, a while without any is.
        """
        if pen.quantity != "gnss_speed":
            return np.arange(len(chunk.time_s)), chunk.breaks
        told = np.flatnonzero(np.isfinite(chunk.values[pen.channel]))
        t_s = chunk.time_s[told]
        late = np.diff(t_s, prepend=self._told_s.get(pen.name, -np.inf)) > _UNTOLD_S
        if len(told):
            self._told_s[pen.name] = float(t_s[-1])
        breaks = np.union1d(np.flatnonzero(late), np.searchsorted(told, chunk.breaks))
        return told, breaks

    def _note_gaps(self, chunk: TraceChunk) -> None:
        for i in chunk.breaks.tolist():
            t1 = float(chunk.time_s[i])
            t0 = float(chunk.time_s[i - 1]) if i else self._last_s.get(chunk.device, t1)
            d0, d1 = self.path.at([t0, t1]).tolist()
            self.gaps.append(GapSpan(chunk.device, t0, t1, d0, d1))

    def _open_gap(self, device: str) -> GapSpan:
        """From the last of a silent device to where the paper is."""
        t0 = min(self._last_s.get(device, 0.0), self.newest_s)
        d0, d1 = self.path.at([t0, self.newest_s]).tolist()
        return GapSpan(device, t0, self.newest_s, d0, d1)

    def _feed_power(
        self,
        pen: Pen,
        chunk: TraceChunk,
        told: NDArray[np.intp],
        breaks: NDArray[np.intp],
    ) -> None:
        if self._factors is None or pen not in self._factors:
            return
        t_s, values = chunk.time_s[told], chunk.values[pen.channel][told]
        if pen is self._factors[0]:
            self._power.pull(t_s, values)
        else:
            # The mean pull of a gap goes with no speed.
            values[breaks[breaks < len(values)]] = np.nan
            self._power.speed(t_s, values, chunk.received_s)

    def newest(self, axis: str) -> float:
        """Where the paper is now: run time in s, or paper distance in m."""
        return self.newest_s if axis == "time" else self.path.moved_m

    def columns(self, pen: str, axis: str, x0: float, x1: float, width: float) -> Columns:
        """See :meth:`Pyramid.columns`."""
        return self._drawn[pen].columns(axis, x0, x1, width)

    def gap_spans(self, pen: Pen, axis: str, x0: float, x1: float) -> list[tuple[float, float]]:
        """Stretches of the paper on which this pen's data are missing."""
        devices = {pen.device} if pen.device else {p.device for p in self.pens}
        spans = []
        for gap in [*self.gaps, *map(self._open_gap, sorted(self.silent & devices))]:
            a, b = (gap.t0_s, gap.t1_s) if axis == "time" else (gap.d0_m, gap.d1_m)
            if gap.device in devices and b >= x0 and a <= x1:
                spans.append((a, b))
        return spans
