"""The clock of a run and the wall clock: what they are worth, and the kernel's own account."""

from __future__ import annotations

import math
import struct
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.machine.clocks import (
    RunClock,
    error_of_timex,
    host_clock,
    now_ns,
    read_clocks,
    wall_error_s,
)

LONG = struct.calcsize("l")


def timex(*, maxerror_us: int, status: int) -> bytes:
    """``struct timex`` as adjtimex(2) lays it out, down to the status."""
    words = [0, 0, 0, maxerror_us, 0]
    return b"".join(
        w.to_bytes(LONG, sys.byteorder, signed=True) for w in words
    ) + status.to_bytes(4, sys.byteorder)


def test_the_clock_of_a_run_is_fine_and_does_not_step_back() -> None:
    held = host_clock("this boot")
    assert held.name
    assert 0.0 < held.resolution_s < 0.02
    reads = [now_ns() for _ in range(1000)]
    assert reads == sorted(reads)
    assert held.to_dict()["resolution_s"] == held.resolution_s


@given(st.integers(-(2**62), 2**62), st.floats(1e-3, 1e3), st.floats(-1e5, 1e5))
def test_run_time_there_and_back(start_ns: int, speed: float, run_s: float) -> None:
    clock = RunClock(start_ns, speed)
    assert clock.run_s(clock.instant_ns(run_s)) == pytest.approx(run_s, abs=1e-6 * speed + 1e-9)


def test_simulated_time_goes_by_its_speed() -> None:
    assert RunClock(10**9, 10.0).run_s(2 * 10**9) == 10.0


def test_a_clock_that_a_server_keeps_says_its_greatest_error() -> None:
    assert error_of_timex(timex(maxerror_us=12_345, status=0x2001)) == pytest.approx(0.012345)


@pytest.mark.parametrize(
    "raw",
    [timex(maxerror_us=16_000_000, status=0x40), timex(maxerror_us=-1, status=0), b"", b"x"],
)
def test_one_that_nobody_keeps_says_nothing(raw: bytes) -> None:
    assert math.isnan(error_of_timex(raw))


def test_this_machine_is_asked_without_harm() -> None:
    error_s = wall_error_s()
    assert math.isnan(error_s) or error_s >= 0.0
    clocks = read_clocks()
    assert clocks.utc_ns > 0
    assert clocks.monotonic_ns <= now_ns()
