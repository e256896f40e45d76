"""The GNSS clock: RMC, GGA and ZDA once a second, late and a little unevenly.

Its time can be wrong while its places are right: a date that lies 1024 weeks back or a day
ahead, leap seconds learnt late or miscounted, a jump, a ZDA that disagrees with RMC, a clock of
its own that runs on without a fix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.units import factor
from simulated_feeds.devices.emission import DeviceName, Emission
from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault, added
from simulated_feeds.devices.wire import nmea_sentence, utc_fields

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from simulated_feeds.physics.line import SimulatedLine
    from simulated_feeds.physics.motion import Motion

__all__ = ["GnssClock", "GnssLaw", "position_walk"]

_KNOT_M_S: Final = factor("kn")
_M_PER_DEGREE: Final = 111_200.0
_NS: Final = 1_000_000_000
_DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GnssLaw:
    """The receiver as it truly is."""

    delay_s: float = 0.085
    """From the second to the first byte of the first sentence."""
    delay_jitter_s: float = 0.012
    """Scale of what comes on top: latency only adds."""
    delay_swing_s: float = 0.010
    baud_bd: int = 38_400
    """The line to the receiver: one sentence follows another at this rate."""
    position_sd_m: float = 1.6
    speed_sd_m_s: float = 0.03
    outages: tuple[tuple[float, float], ...] = ()
    """No fix: (from time, seconds)."""
    rate_hz: int = 1
    """Bursts of sentences a second."""
    faults: tuple[FeedFault, ...] = ()
    """``time-off``, ``date-off``, ``zda-off``, ``holdover``; others are not looked at."""


class GnssClock:
    """See :class:`~simulated_feeds.devices.emission.SimulatedDevice`.

    Parameters
    ----------
    law, line
        The receiver, and where the train's chainage lies on the ground.
    utc0_ns
        UTC at simulated time 0, Unix nanoseconds.
    """

    def __init__(
        self,
        law: GnssLaw,
        line: SimulatedLine,
        *,
        seed: np.random.SeedSequence,
        utc0_ns: int,
    ) -> None:
        self.name: str = DeviceName.CLOCK
        self.law, self._line, self._utc0_ns = law, line, utc0_ns
        self._rng = np.random.default_rng(seed)
        self._offset = np.zeros(3)
        self._next = -(-utc0_ns * law.rate_hz // _NS)
        """Number of the next burst, counted from 1970."""

    def restart(self, t_s: float) -> None:
        """A receiver keeps its almanac: it only misses what passed meanwhile."""
        self._next = (self._utc0_ns + int(t_s * 1e9)) * self.law.rate_hz // _NS + 1

    def advance(self, motion: Motion) -> list[Emission]:
        """Sentences of every whole UTC second (or part of one) within the stretch."""
        out: list[Emission] = []
        while (t := (self._next_ns - self._utc0_ns) / 1e9) <= motion.t_s[-1]:
            if t >= motion.t_s[0]:
                s = float(np.interp(t, motion.t_s, motion.s_m))
                v = float(np.interp(t, motion.t_s, motion.v_m_s))
                out += self.burst(t, self._next_ns, s, v)
            self._next += 1
        return out

    @property
    def _next_ns(self) -> int:
        return self._next * _NS // self.law.rate_hz

    def has_fix(self, t_s: float) -> bool:
        """Whether the sky is open at a simulated time."""
        return not any(a <= t_s < a + b for a, b in self.law.outages)

    def runs_on(self, t_s: float) -> bool:
        """Whether there is time without a fix at a simulated time, by its own clock."""
        return any(f.kind is FaultKind.HOLDOVER and f.on(t_s) for f in self.law.faults)

    def shown_ns(self, t_s: float, utc_ns: int) -> int:
        """UTC, Unix nanoseconds, as RMC and GGA show it."""
        faults = self.law.faults
        off_s = added(faults, FaultKind.TIME_OFF, t_s)
        off_s += _DAY_S * added(faults, FaultKind.DATE_OFF, t_s)
        return utc_ns + round(off_s * 1000.0) * 1_000_000

    def burst(self, t_s: float, utc_ns: int, s_m: float, v_m_s: float) -> list[Emission]:
        """The three sentences of one second, with their due times."""
        law = self.law
        # Position errors are correlated over a minute, as multipath and sky are.
        self._offset = position_walk(self._rng, 1, law.position_sd_m, self._offset)[0]
        swing = law.delay_swing_s * (0.5 + 0.5 * np.sin(t_s / 97.0))
        late = law.delay_s + swing + self._rng.exponential(law.delay_jitter_s)
        speed = abs(v_m_s + law.speed_sd_m_s * self._rng.standard_normal())
        due = t_s + late - self._ahead_s(t_s)
        out = []
        for body in self._bodies(t_s, utc_ns, s_m, v_m_s, speed):
            data = nmea_sentence(body)
            out.append(Emission(due, data))
            due += 10.0 * len(data) / law.baud_bd
        return out

    def _ahead_s(self, t_s: float) -> float:
        """How early its own clock, running on without a fix, begins a second."""
        return sum(
            1e-6 * f.value * (t_s - f.at_s)
            for f in self.law.faults if f.kind is FaultKind.HOLDOVER and f.on(t_s)
        )  # fmt: skip

    def _bodies(
        self, t_s: float, utc_ns: int, s_m: float, v_m_s: float, speed: float
    ) -> tuple[str, str, str]:
        shown_ns = self.shown_ns(t_s, utc_ns)
        clock, short, _ = utc_fields(shown_ns)
        zda_off_s = added(self.law.faults, FaultKind.ZDA_OFF, t_s)
        zda, _, long = utc_fields(shown_ns + round(zda_off_s * 1000.0) * 1_000_000)
        dated = f"GNZDA,{zda},{long},00,00"
        if not self.has_fix(t_s):
            return (
                f"GNRMC,{clock},V,,,,,,,{short},,,N",
                f"GNGGA,{clock},,,,,0,00,99.99,,,,,,",
                dated if self.runs_on(t_s) else "GNZDA,,,,,,",
            )
        lat, lon = (float(x) for x in self._line.latlon(s_m))
        lat += self._offset[0] / _M_PER_DEGREE
        lon += self._offset[1] / (_M_PER_DEGREE * np.cos(np.radians(lat)))
        height = float(self._line.elevation(s_m)) + 3.4 + 1.7 * float(self._offset[2])
        course = (float(self._line.heading(s_m)) + (180.0 if v_m_s < 0.0 else 0.0)) % 360.0
        where = f"{_angle(lat, 2)},{'N' if lat >= 0 else 'S'}"
        where += f",{_angle(lon, 3)},{'E' if lon >= 0 else 'W'}"
        pace = f"{speed / _KNOT_M_S:.3f}"
        return (
            f"GNRMC,{clock},A,{where},{pace},{course:.1f},{short},,,A",
            f"GNGGA,{clock},{where},1,11,0.9,{height:.1f},M,-21.3,M,,",
            dated,
        )


def position_walk(
    rng: np.random.Generator, n: int, sd_m: float, last: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """(n, 3) position errors, m, second by second; correlated over half a minute.

    North, east and up; standard deviation ``sd_m`` each.
    """
    keep = float(np.exp(-1.0 / 30.0))
    fresh = rng.standard_normal((n, 3)) * sd_m * float(np.sqrt(1.0 - keep**2))
    value = rng.standard_normal(3) * sd_m if last is None else last
    out = np.empty((n, 3))
    for i in range(n):
        value = keep * value + fresh[i]
        out[i] = value
    return out


def _angle(degrees: float, width: int) -> str:
    """``ddmm.mmmmm``: minutes never show 60."""
    units = round(abs(degrees) * 60.0 * 100_000)
    whole, minutes = divmod(units, 60 * 100_000)
    return f"{whole:0{width}d}{minutes // 100_000:02d}.{minutes % 100_000:05d}"
