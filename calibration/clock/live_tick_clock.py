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

from calibration.clock.held_up import free_windows, gross_slope
from calibration.clock.lower_edge import PRIOR_RATE, middle_slope, weighed_rate
from calibration.clock.pace import OSCILLATOR, fast_by
from calibration.clock.tick_line import TickLine
from calibration.statistics.median_scatter import normal_sd

__all__ = ["LiveTickClock", "NominalTickClock"]

BUCKET_S: Final = 1.0
BUCKETS: Final = 300
LEAST_BUCKETS: Final = 6
BEYOND_BUCKETS: Final = 60
"""A line that drains says as much for a while."""
FAR_S: Final = 0.02
"""Further off than this the line hurries; nearer it leans in gently."""
LEAN_S: Final = 1.0


class LiveTickClock:
    """Ties ticks to run time block by block; times never step back, nor beyond a receipt.

    One clock a start of a device. Memory is bounded: the least lateness of every second of the
    last five minutes is held. Their slope is the rate, weighed against the usual rate error of a
    crystal while it could be one's; the least of the last minute, along that rate, the offset.
    A better offset is not jumped to: the line of the next block starts where the last one ended
    and leans towards it, by at most half speed or double.

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
        self._low_s = 0.0
        """Of the last minute's, carried along the rate to the first block."""
        self._bucket = -1
        self._rate = 0.0
        self._u_rate = PRIOR_RATE
        self._beyond = 0
        """Seconds of the device on end whose slope no oscillator can have."""
        self._slope_beyond = 0.0
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
        usual_s = step / self._hz * (1.0 + self._rate)
        # The least lateness of the last minute, carried along the rate to here.
        missing_s = x_s + self._low_s + self._rate * x_s - self._t_s - usual_s
        if abs(missing_s) < FAR_S:
            missing_s *= -np.expm1(-usual_s / LEAN_S)
        # Never faster than twice nor slower than half: order of samples is kept.
        t_s = self._t_s + usual_s + min(max(missing_s, -0.5 * usual_s), usual_s)
        # No sample is received before it is taken: what waited while reading stood still and
        # comes all at once, after the first of it was believed to be new, has that one instant.
        t_s = max(min(t_s, received_s), self._t_s)
        line = TickLine(self._tick, self._t_s, (t_s - self._t_s) / step)
        self._tick, self._t_s = tick, t_s
        return line

    def _note(self, x_s: float, late_s: float) -> None:
        """Hold the least of the bucket; with each new bucket the rate is worked out anew."""
        bucket = int(x_s / BUCKET_S)
        if bucket != self._bucket:
            self._bucket = bucket
            self._least.append((x_s, late_s))
            self._rate, self._u_rate = self._slope()
            self._low_s = self._lowest()
            return
        at_s, least_s = self._least[-1]
        if late_s - self._rate * (x_s - at_s) < least_s:
            self._least[-1] = (x_s, late_s)
            self._low_s = self._lowest()

    @property
    def rate(self) -> float:
        """Slope of lateness, s/s: what one nominal second of the device takes more; above 0, its
        clock runs slow."""
        return self._rate

    @property
    def u_rate(self) -> float:
        """Standard uncertainty of the rate."""
        return self._u_rate

    @property
    def pace_beyond(self) -> float | None:
        """Seconds of the device in one of the computer's, where no oscillator can be so far off
        and a minute of its seconds says so; else None."""
        if self._beyond < BEYOND_BUCKETS:
            return None
        return 1.0 + fast_by(self._slope_beyond)

    def _slope(self) -> tuple[float, float]:
        """Rate of lateness from whole buckets and its uncertainty, s/s."""
        whole = list(self._least)[:-1]
        if len(whole) < LEAST_BUCKETS:
            return 0.0, PRIOR_RATE
        x, y = np.array(whole).T
        gross = gross_slope(x, y)
        free = free_windows(x, y - gross * x)
        if int(free.sum()) < LEAST_BUCKETS:
            return self._rate, self._u_rate
        x, y = x[free], y[free]
        slope = gross + middle_slope(x, y - gross * x)
        if abs(slope) > OSCILLATOR:
            # Held up just now, or no clock at all: what was known before stands.
            self._beyond += 1
            self._slope_beyond = slope
            return self._rate, self._u_rate
        self._beyond = 0
        left = y - slope * x
        scatter = normal_sd(left - np.median(left))
        dx = x - x.mean()
        # The middle slope scatters by about √1.5 times the one of least squares.
        return weighed_rate(slope, 1.5 * max(scatter, 1e-6) ** 2 / float((dx**2).sum()))

    def _lowest(self) -> float:
        oldest_s = self._least[-1][0] - self._hold_s
        return min(late - self._rate * at for at, late in self._least if at >= oldest_s)


class NominalTickClock:
    """Ties ticks to run time by their nominal rate alone, from the first block on.

    For feeds that go as fast as they can: when a block comes says nothing of when it was.
    """

    def __init__(self, tick_hz: float) -> None:
        self._hz = float(tick_hz)
        self._line: TickLine | None = None

    def update(self, tick: int, received_s: float) -> TickLine:
        """The one line of this start."""
        if self._line is None:
            self._line = TickLine(tick, received_s, 1.0 / self._hz)
        return self._line
