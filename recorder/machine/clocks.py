"""The computer's clocks: the one that runs are timed by, what it is worth, and the wall clock.

Everything of ours that asks for the monotonic instant asks here, so that records, marks and drawing
are on one clock: the finest that does not step. On Windows before Python 3.13
``time.monotonic`` steps by 15.6 ms, and the performance counter is finer and as steady.
"""

from __future__ import annotations

import ctypes
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final, Protocol

__all__ = [
    "Clocks",
    "HostClock",
    "HostTimepiece",
    "RunClock",
    "SimulatedTimepiece",
    "Timepiece",
    "host_clock",
    "now_ns",
    "read_clocks",
    "wall_error_s",
]

_FINER: Final = sys.platform == "win32" and sys.version_info < (3, 13)
now_ns: Final[Callable[[], int]] = time.perf_counter_ns if _FINER else time.monotonic_ns
"""Nanoseconds of the clock that runs are timed by."""
_READS: Final = 2_000
_STEPS: Final = 20
_UNSYNCHRONISED: Final = 0x40
"""STA_UNSYNC of adjtimex(2)."""
_TIMEX_BYTES: Final = 512
"""More than the kernel's ``struct timex`` on any machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HostClock:
    """What the clock of a run is."""

    name: str
    """As Python names it: ``clock_gettime(CLOCK_MONOTONIC)`` …"""
    resolution_s: float
    """Its step: as the system states it, or as seen where that is coarser."""
    boot_id: str = ""
    suspend_known: bool = False
    """Whether a sleep of the machine shows (a clock that goes on meanwhile)."""

    def to_dict(self) -> dict[str, Any]:
        """Plain data for the file."""
        return {
            "name": self.name,
            "resolution_s": self.resolution_s,
            "boot_id": self.boot_id,
            "suspend_known": self.suspend_known,
        }


@cache
def host_clock(boot_id: str = "") -> HostClock:
    """What :func:`now_ns` is worth on this machine; asked once a process."""
    info = time.get_clock_info("perf_counter" if _FINER else "monotonic")
    return HostClock(
        name=info.implementation,
        resolution_s=max(info.resolution, _seen_step_s(now_ns)),
        boot_id=boot_id,
        suspend_known=hasattr(time, "CLOCK_BOOTTIME"),
    )


def _seen_step_s(clock: Callable[[], int]) -> float:
    """The least step seen when a clock is read again and again; 0 when it never moved."""
    least, last = math.inf, clock()
    steps = reads = 0
    while steps < _STEPS and reads < _READS * _STEPS:
        now = clock()
        reads += 1
        if now > last:
            least, last, steps = min(least, now - last), now, steps + 1
    return least / 1e9 if steps else 0.0


@dataclass(frozen=True, slots=True)
class RunClock:
    """Run time of instants of :func:`now_ns`."""

    start_ns: int
    """Instant of run time 0."""
    speed: float = 1.0
    """Run seconds in a second of the computer: other than 1 where time is simulated."""
    read_ns: Callable[[], int] = field(default=now_ns, compare=False, repr=False)
    """Tells the instant of now."""

    def run_s(self, instant_ns: int) -> float:
        """Run time of an instant, s."""
        return (instant_ns - self.start_ns) / 1e9 * self.speed

    def now_s(self) -> float:
        """Run time, now."""
        return self.run_s(self.read_ns())

    def instant_ns(self, run_s: float) -> int:
        """The instant of a run time."""
        return self.start_ns + round(run_s / self.speed * 1e9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """The machine's clocks read one right after the other, nanoseconds."""

    monotonic_ns: int
    utc_ns: int
    boottime_ns: int | None
    """Goes on while the machine sleeps; None where there is none."""


def read_clocks() -> Clocks:
    """Read all clocks; the monotonic one in the middle of two others."""
    boot = None
    if hasattr(time, "CLOCK_BOOTTIME"):
        boot = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    return Clocks(monotonic_ns=now_ns(), utc_ns=time.time_ns(), boottime_ns=boot)


class Timepiece(Protocol):
    """All the clocks that a recording asks: the computer's, or simulated ones."""

    def now_ns(self) -> int:
        """The monotonic instant."""
        ...

    def read(self) -> Clocks:
        """All clocks at once."""
        ...

    def error_s(self) -> float:
        """Greatest error of the wall clock by its own account; NaN: none is known."""
        ...

    def worth(self, boot_id: str) -> HostClock:
        """What the monotonic clock is."""
        ...


class HostTimepiece:
    """The computer's own clocks."""

    def now_ns(self) -> int:
        """The monotonic instant."""
        return now_ns()

    def read(self) -> Clocks:
        """All clocks at once."""
        return read_clocks()

    def error_s(self) -> float:
        """As the kernel says."""
        return wall_error_s()

    def worth(self, boot_id: str) -> HostClock:
        """What :func:`now_ns` is worth."""
        return host_clock(boot_id)


class SimulatedTimepiece:
    """Clocks that stand until they are moved on: a simulated second is a second, whatever it took.

    Parameters
    ----------
    utc0_ns
        UTC at simulated time 0; the monotonic instant is then :attr:`ORIGIN_NS`.
    """

    ORIGIN_NS: Final = 10**12
    """No instant of a run is negative, however long before it something is asked for."""

    def __init__(self, utc0_ns: int) -> None:
        self._utc0_ns = utc0_ns
        self._passed_ns = 0

    @property
    def t_s(self) -> float:
        """Simulated time."""
        return self._passed_ns / 1e9

    def move_to(self, t_s: float) -> None:
        """Simulated time goes on to then; never back."""
        self._passed_ns = max(self._passed_ns, round(t_s * 1e9))

    def now_ns(self) -> int:
        """The simulated monotonic instant."""
        return self.ORIGIN_NS + self._passed_ns

    def read(self) -> Clocks:
        """All of them go alike, and the simulated computer never sleeps."""
        now = self.now_ns()
        return Clocks(monotonic_ns=now, utc_ns=self._utc0_ns + self._passed_ns, boottime_ns=now)

    def error_s(self) -> float:
        """Nobody keeps a simulated clock."""
        return math.nan

    def worth(self, boot_id: str) -> HostClock:
        """Exact to the nanosecond that it counts in."""
        return HostClock(name="simulated", resolution_s=1e-9, boot_id=boot_id)


def wall_error_s() -> float:
    """Greatest error of the wall clock by the kernel's own account; NaN when no time server
    keeps it, or the system does not say (only Linux does, by adjtimex(2))."""
    if not sys.platform.startswith("linux"):
        return math.nan
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return math.nan
    return error_of_timex(_asked(adjtimex))


def _asked(adjtimex: Callable[[Any], int]) -> bytes:
    buffer = ctypes.create_string_buffer(_TIMEX_BYTES)
    return buffer.raw if adjtimex(buffer) >= 0 else b""


def error_of_timex(raw: bytes) -> float:
    """``maxerror`` of a ``struct timex`` in s; NaN when the clock is not synchronised.

    As laid out in adjtimex(2): ``modes`` (an int, padded to a long), ``offset``, ``freq``,
    ``maxerror`` and ``esterror`` (longs), ``status`` (an int).
    """
    size = ctypes.sizeof(ctypes.c_long)
    if len(raw) < 5 * size + 4:
        return math.nan
    most_us = int.from_bytes(raw[3 * size : 4 * size], sys.byteorder, signed=True)
    status = int.from_bytes(raw[5 * size : 5 * size + 4], sys.byteorder)
    if status & _UNSYNCHRONISED or most_us < 0:
        return math.nan
    return most_us / 1e6
