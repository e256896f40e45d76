"""The GNSS clock: RMC, GGA and ZDA once a second, late and a little unevenly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.units import factor
from simulated_feeds.devices.emission import Emission
from simulated_feeds.devices.wire import nmea_sentence, utc_fields

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from simulated_feeds.physics.line import SimulatedLine
    from simulated_feeds.physics.motion import Motion

__all__ = ["GnssClock", "GnssLaw", "position_walk"]

_KNOT_M_S: Final = factor("kn")
_M_PER_DEGREE: Final = 111_200.0


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
        name: str = "clock",
    ) -> None:
        self.name = name
        self.law, self._line, self._utc0_ns = law, line, utc0_ns
        self._rng = np.random.default_rng(seed)
        self._offset = np.zeros(3)
        self._next_utc_s = -(-utc0_ns // 1_000_000_000)

    def restart(self, t_s: float) -> None:
        """A receiver keeps its almanac: it only misses what passed meanwhile."""
        self._next_utc_s = int((self._utc0_ns + int(t_s * 1e9)) // 1_000_000_000) + 1

    def advance(self, motion: Motion) -> list[Emission]:
        """Sentences of every whole UTC second within the stretch."""
        out: list[Emission] = []
        while (t := (self._next_utc_s * 10**9 - self._utc0_ns) / 1e9) <= motion.t_s[-1]:
            if t >= motion.t_s[0]:
                s = float(np.interp(t, motion.t_s, motion.s_m))
                v = float(np.interp(t, motion.t_s, motion.v_m_s))
                out += self.burst(t, self._next_utc_s * 10**9, s, v)
            self._next_utc_s += 1
        return out

    def has_fix(self, t_s: float) -> bool:
        """Whether the sky is open at a simulated time."""
        return not any(a <= t_s < a + b for a, b in self.law.outages)

    def burst(self, t_s: float, utc_ns: int, s_m: float, v_m_s: float) -> list[Emission]:
        """The three sentences of one second, with their due times."""
        law = self.law
        # Position errors are correlated over a minute, as multipath and sky are.
        self._offset = position_walk(self._rng, 1, law.position_sd_m, self._offset)[0]
        swing = law.delay_swing_s * (0.5 + 0.5 * np.sin(t_s / 97.0))
        late = law.delay_s + swing + self._rng.exponential(law.delay_jitter_s)
        speed = abs(v_m_s + law.speed_sd_m_s * self._rng.standard_normal())
        due = t_s + late
        out = []
        for body in self._bodies(t_s, utc_ns, s_m, v_m_s, speed):
            data = nmea_sentence(body)
            out.append(Emission(due, data))
            due += 10.0 * len(data) / law.baud_bd
        return out

    def _bodies(
        self, t_s: float, utc_ns: int, s_m: float, v_m_s: float, speed: float
    ) -> tuple[str, str, str]:
        clock, short, long = utc_fields(utc_ns)
        if not self.has_fix(t_s):
            return (
                f"GNRMC,{clock},V,,,,,,,{short},,,N",
                f"GNGGA,{clock},,,,,0,00,99.99,,,,,,",
                "GNZDA,,,,,,",
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
            f"GNZDA,{clock},{long},00,00",
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
