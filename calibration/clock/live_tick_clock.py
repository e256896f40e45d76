"""Device ticks to run time to UTC.

A frame is never received before it was sent: latency only adds. So the tie of a device's clock
to run time lies on the *lower* edge of receipt time against ticks, and the tie of UTC to run
time on the *upper* edge of (UTC in the sentence − receipt time). This module has the tie as it
is made live; ``ticks_to_run_time`` and ``run_time_to_utc`` work it out afterwards.
"""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np

from calibration.clock.lower_edge import GREATEST_RATE, PRIOR_RATE
from calibration.clock.tick_line import TickLine

__all__ = ["LiveTickClock"]

BUCKET_S: Final = 5.0
BUCKETS: Final = 60
FAR_S: Final = 0.02
"""Further off than this the line hurries; nearer it leans in gently."""
LEAN_S: Final = 1.0


class LiveTickClock:
    """Ties ticks to run time block by block; times never step back.

    One clock a start of a device. Memory is bounded: the least lateness of every five seconds
    of the last five minutes is held. Their slope, weighed against the usual rate error of an
    oscillator, is the rate; the least of the last minute, along that rate, the offset. A better
    offset is not jumped to: the line of the next block starts where the last one ended and
    leans towards it, by at most half speed or double.

    Raises
    ------
    ValueError
        A tick rate that is not above zero.
    """

    def __init__(self, tick_hz: float, *, hold_s: float = 60.0) -> None:
        if not (np.isfinite(tick_hz) and tick_hz > 0.0):
            msg = f"tick_hz must be above zero, got {tick_hz!r}"
            raise ValueError(msg)
        self._hz = float(tick_hz)
        self._hold_s = hold_s
        self._least: deque[tuple[float, float]] = deque(maxlen=BUCKETS)
        """(nominal seconds since the first block, lateness) of the least of each bucket."""
        self._bucket = -1
        self._rate = 0.0
        self._origin: int | None = None
        self._tick = 0
        self._t_s = 0.0

    def update(self, tick: int, received_s: float) -> TickLine:
        """Take in a block's last tick and when it was in hand; returns the block's line."""
        if self._origin is None:
            self._origin = self._tick = tick
            self._t_s = received_s
            self._note(0.0, received_s)
            return TickLine(tick, received_s, 1.0 / self._hz)
        step = tick - self._tick
        if step <= 0:
            return TickLine(self._tick, self._t_s, (1.0 + self._rate) / self._hz)
        x_s = (tick - self._origin) / self._hz
        self._note(x_s, received_s - x_s)
        nominal_s = step / self._hz
        missing_s = x_s + self._offset(x_s) - self._t_s - nominal_s
        if abs(missing_s) < FAR_S:
            missing_s *= -np.expm1(-nominal_s / LEAN_S)
        # Never faster than twice nor slower than half: order of samples is kept.
        t_s = self._t_s + nominal_s + min(max(missing_s, -0.5 * nominal_s), nominal_s)
        # No sample is received before it is taken; then nearly standing is better.
        t_s = min(t_s, max(received_s, self._t_s + 0.05 * nominal_s))
        line = TickLine(self._tick, self._t_s, (t_s - self._t_s) / step)
        self._tick, self._t_s = tick, t_s
        return line

    def _note(self, x_s: float, late_s: float) -> None:
        """Hold the least of the bucket; with each new bucket the rate is worked out anew."""
        bucket = int(x_s / BUCKET_S)
        if bucket != self._bucket:
            self._bucket = bucket
            self._least.append((x_s, late_s))
            self._rate = self._slope()
            return
        at_s, least_s = self._least[-1]
        if late_s - self._rate * (x_s - at_s) < least_s:
            self._least[-1] = (x_s, late_s)

    def _slope(self) -> float:
        """Rate of lateness from whole buckets, s/s; what they leave open stays near 0."""
        whole = list(self._least)[:-1]
        if len(whole) < 6:
            return 0.0
        x, y = np.array(whole).T
        dx, dy = x - x.mean(), y - y.mean()
        sxx = float((dx**2).sum())
        slope = float((dx * dy).sum()) / sxx
        variance = float(((dy - slope * dx) ** 2).mean()) / sxx
        slope = float(np.clip(slope, -GREATEST_RATE, GREATEST_RATE))
        return slope * PRIOR_RATE**2 / (PRIOR_RATE**2 + variance)

    def _offset(self, x_s: float) -> float:
        """Least lateness of the last minute, carried along the rate to ``x_s``."""
        newest_s = self._least[-1][0]
        return min(
            late + self._rate * (x_s - at)
            for at, late in self._least
            if at >= newest_s - self._hold_s
        )
