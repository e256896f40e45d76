"""Speed while it is being recorded: the last half second of edges, block by block."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.speed.pulses import HALF_S, STANDING_S, UNEVEN_PULSE, columns

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.certificates.wheel import WheelCertificate
    from calibration.clock.tick_line import TickLine

__all__ = ["LiveSpeed"]

_BEFORE_S: Final = 2.0
"""What is longer ago does not bear on the speed of now (from experience)."""


class LiveSpeed:
    """Speed as it comes, over the last half second of edges. One a start of a device.

    Memory is bounded: at most 512 edges and the rates of 101 lines are held. A line leans while
    the clock settles; the middle one of the last rates is what a tick lasts.
    """

    def __init__(self, certificate: WheelCertificate) -> None:
        self._pulse = certificate.m_per_pulse
        self._edges: deque[tuple[int, int]] = deque(maxlen=512)
        """(tick, count)"""
        self._rates: deque[float] = deque(maxlen=101)
        self._tick = 0
        self._heard: int | None = None
        """Tick from which on every record came; None before the first."""
        self._count: int | None = None

    def update(self, records: NDArray[Any], line: TickLine) -> float:
        """Speed at the last of (n,) records, m/s, forward positive.

        NaN until two edges came, or half a second without: then it is standing.
        """
        if line.s_per_tick > 0.0:
            # What had waited and came at once stands at one instant: no tick is so short.
            self._rates.append(line.s_per_tick)
        tick_s = float(np.median(self._rates))
        if len(records):
            ticks, edge_ticks, counts = columns(records)
            if int(ticks[-1]) < self._tick:
                self._edges.clear()
                self._count = self._heard = None
            first = int(ticks[0])
            if self._heard is None or (first - self._tick) * tick_s > _BEFORE_S:
                self._heard = first
            self._tick = int(ticks[-1])
            previous = int(counts[0]) if self._count is None else self._count
            self._count = int(counts[-1])
            new = np.flatnonzero(np.diff(counts, prepend=previous) != 0)
            for tick, count in zip(edge_ticks[new].tolist(), counts[new].tolist(), strict=True):
                self._add(tick, count, tick_s)
        return self._now(tick_s)

    def _add(self, tick: int, count: int, tick_s: float) -> None:
        if self._edges:
            since = tick - self._edges[-1][0]
            # After a stop, or a restart unseen, what was before does not bear on now.
            if since <= 0 or since * tick_s > _BEFORE_S:
                self._edges.clear()
        self._edges.append((tick, count))

    def _now(self, tick_s: float) -> float:
        if len(self._edges) < 2:
            heard_s = 0.0 if self._heard is None else (self._tick - self._heard) * tick_s
            return 0.0 if heard_s > 2.0 * HALF_S else np.nan
        newest, count = self._edges[-1]
        silence_s = (self._tick - newest) * tick_s
        if silence_s > STANDING_S:
            return 0.0
        reach = 2.0 * HALF_S / tick_s
        older, count0 = next(
            (edge for edge in reversed(self._edges) if newest - edge[0] >= reach),
            self._edges[0],
        )
        speed = (count - count0) * self._pulse / ((newest - older) * tick_s)
        bound = UNEVEN_PULSE * self._pulse / silence_s if silence_s > 0.0 else np.inf
        return float(np.sign(speed) * min(abs(speed), bound))
