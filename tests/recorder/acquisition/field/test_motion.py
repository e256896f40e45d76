"""What wheel and receiver saw while a zero was taken, from records as they pass."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
import pytest

from calibration.field.zero_guards import GuardAnswer
from drivers.interface.driver_interface import Role
from recorder.acquisition.field.motion import MotionWatch, MotionWitness

WHEEL = np.dtype([("tick", "<u8"), ("count", "<i8")])
RECEIVER = np.dtype([("tick", "<u8"), ("valid", "u1"), ("speed_m_s", "<f8")])


class Passing:
    """A device whose records are handed over; long after the end of every stretch."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.taps: list[Any] = []

    def add_tap(self, tap: Any) -> None:
        self.taps.append(tap)

    def remove_tap(self, tap: Any) -> None:
        self.taps.remove(tap)

    def now_s(self) -> float:
        return 1e9

    def wait_for(self, done: threading.Event, seconds: float) -> bool:
        return done.wait(seconds)

    def show(self, records: np.ndarray, time_s: list[float]) -> None:
        for tap in list(self.taps):
            tap.see(records, np.array(time_s))


def wheel_of(*counts: int) -> np.ndarray:
    records = np.zeros(len(counts), WHEEL)
    records["count"] = counts
    return records


def fixes(*speeds: float, valid: int = 1) -> np.ndarray:
    records = np.zeros(len(speeds), RECEIVER)
    records["speed_m_s"], records["valid"] = speeds, valid
    return records


@pytest.fixture
def wheel() -> Passing:
    return Passing("wheel")


@pytest.fixture
def clock() -> Passing:
    return Passing("clock")


def watch(device: Passing, role: Role, field: str) -> MotionWatch:
    thread: Any = device
    return MotionWatch([MotionWitness(thread, role, field, 0.005)], 10.0, 12.0)


def test_the_wheel_is_looked_at_in_the_stretch_alone(wheel: Passing) -> None:
    """It rolled in, stood, and rolled on afterwards."""
    watched = watch(wheel, Role.WHEEL, "count")
    wheel.show(wheel_of(0, 900), [8.0, 9.9])
    wheel.show(wheel_of(1000, 1001, 1000), [10.0, 11.0, 12.0])
    wheel.show(wheel_of(5000), [12.1])
    (guard,) = watched.finish()
    assert (guard.answer, guard.value) == (GuardAnswer.PASSED, 1.0)
    assert wheel.taps == []


def test_a_wheel_that_turns_is_seen(wheel: Passing) -> None:
    watched = watch(wheel, Role.WHEEL, "count")
    wheel.show(wheel_of(1000, 1040, 1080), [10.0, 11.0, 12.0])
    (guard,) = watched.finish()
    assert (guard.answer, guard.value) == (GuardAnswer.REFUSED, 80.0)


@pytest.mark.parametrize("last", [1000, 1002])
def test_a_wheel_that_falls_silent_denies_nothing(wheel: Passing, last: int) -> None:
    watched = watch(wheel, Role.WHEEL, "count")
    wheel.show(wheel_of(1000, last), [10.0, 10.5])
    (guard,) = watched.finish()
    assert guard.answer is GuardAnswer.NOT_KNOWN
    assert guard.text == "wheel told nothing of the end"


def test_what_a_wheel_saw_before_it_fell_silent_it_saw(wheel: Passing) -> None:
    watched = watch(wheel, Role.WHEEL, "count")
    wheel.show(wheel_of(1000, 1003), [10.0, 10.5])
    (guard,) = watched.finish()
    assert guard.answer is GuardAnswer.REFUSED


@pytest.mark.parametrize(
    ("speed", "answer"), [(0.1, GuardAnswer.NOT_KNOWN), (2.5, GuardAnswer.REFUSED)]
)
def test_a_receiver_that_falls_silent_denies_nothing(
    clock: Passing, speed: float, answer: GuardAnswer
) -> None:
    """Nor does one that loses its fix."""
    for rest in (fixes(), fixes(0.0, valid=0)):
        watched = watch(clock, Role.RECEIVER, "speed_m_s")
        clock.show(fixes(speed), [10.2])
        clock.show(rest, [12.2] * len(rest))
        (guard,) = watched.finish()
        assert guard.answer is answer


def test_a_receiver_counts_with_a_fix_alone(clock: Passing) -> None:
    watched = watch(clock, Role.RECEIVER, "speed_m_s")
    clock.show(fixes(9.0, np.nan, valid=0), [10.2, 11.2])
    clock.show(fixes(np.nan, 0.2), [11.3, 12.2])
    (guard,) = watched.finish()
    assert (guard.answer, guard.value) == (GuardAnswer.PASSED, 0.2)


def test_a_receiver_that_only_speaks_after_the_end_is_heard(clock: Passing) -> None:
    """Once a second, and the zero took a tenth of one."""
    watched = watch(clock, Role.RECEIVER, "speed_m_s")
    clock.show(fixes(2.5, 0.0), [12.4, 13.4])
    (guard,) = watched.finish()
    assert (guard.answer, guard.value) == (GuardAnswer.REFUSED, 2.5)


def test_a_receiver_without_a_fix_and_a_silent_one_know_nothing(clock: Passing) -> None:
    watched = watch(clock, Role.RECEIVER, "speed_m_s")
    clock.show(fixes(9.0, valid=0), [11.0])
    (guard,) = watched.finish()
    assert (guard.answer, guard.text) == (GuardAnswer.NOT_KNOWN, "clock has no fix")
    (guard,) = watch(clock, Role.RECEIVER, "speed_m_s").finish()
    assert guard.text == "clock sent nothing"
