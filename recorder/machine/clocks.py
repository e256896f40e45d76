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
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

__all__ = [
    "Clocks",
    "HostClock",
    "RunClock",
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

    def run_s(self, instant_ns: int) -> float:
        """Run time of an instant, s."""
        return (instant_ns - self.start_ns) / 1e9 * self.speed

    def now_s(self) -> float:
        """Run time, now."""
        return self.run_s(now_ns())

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
