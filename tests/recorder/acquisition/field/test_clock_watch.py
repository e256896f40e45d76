"""The time of the run, live: rates no crystal has are told once, and what is not known of UTC."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from recorder.acquisition.control.status import UNHEARD, ClockStatus, SessionStatus
from recorder.acquisition.field import clock_watch
from recorder.acquisition.field.clock_watch import ClockWatch
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.header import RunHeader
from recorder.run.parts.states import RunState
from recorder.window.model.live.device_lines import Level, utc_line
from tests.recorder.made_runs import (
    STARTED_UTC_NS,
    gnss,
    header,
    load_cell,
    wheel,
    wheel_blocks,
)

NS = 10**9
DAY_NS = 86_400 * NS


@dataclass
class Stream:
    tick_rate: tuple[float, float] | None = None
    pace_beyond: float | None = None


@dataclass
class Thread:
    """As much of a device's thread as the watch asks for."""

    name: str
    stream: Stream = field(default_factory=Stream)
    taps: list[Any] = field(default_factory=list)

    def add_tap(self, tap: object) -> None:
        self.taps.append(tap)


class Car:
    """A load cell, a receiver and a wheel, watched."""

    def __init__(self, wrong_ns: int = 0) -> None:
        self.header: RunHeader = header(load_cell(), gnss(), wheel())
        self.cell, self.receiver, self.wheel = (Thread(d.name) for d in self.header.devices)
        self.warned: list[str] = []
        threads: Any = [self.cell, self.receiver, self.wheel]
        self.watch = ClockWatch(self.header, threads, self.warned.append)
        self.wrong_ns = wrong_ns

    def ride(self, seconds: int) -> None:
        dtype = self.header.devices[1].record_dtype
        for t in range(seconds):
            reading = {
                "monotonic_ns": self.header.started_monotonic_ns + t * NS,
                "utc_ns": STARTED_UTC_NS + t * NS,
            }
            self.watch.note(Event(kind=EventKind.CLOCK_ANCHOR, t_s=float(t), data=reading))
            row = np.zeros(1, dtype)
            row["utc_ns"], row["kind"] = STARTED_UTC_NS + t * NS + self.wrong_ns, b"RMC"
            for tap in self.receiver.taps:
                tap.see(row, np.array([t + 0.1]))
            self.watch.second(float(t))


def test_nobody_heard_yet_is_not_known_and_not_shouted() -> None:
    car = Car()
    car.ride(5)
    assert car.watch.status == ClockStatus()
    assert utc_line(_status(car.watch.status)) == ("", Level.GOOD)


def test_witnesses_that_agree_are_known() -> None:
    car = Car()
    car.ride(60)
    status = car.watch.status
    assert status.known
    assert status.u_s is not None
    assert 0.1 < status.u_s < 1.0
    assert car.warned == []
    words, level = utc_line(_status(status))
    assert words.startswith("±")
    assert level is Level.GOOD


def test_pulses_that_a_wheel_counts_are_heard() -> None:
    car = Car()
    car.ride(60)
    assert "wire its pulses" in car.watch.status.words
    car = Car()
    for block in wheel_blocks(60.0):
        for tap in car.wheel.taps:
            tap.see(block.records, block.time_s())
    car.ride(60)
    assert "wire its pulses" not in car.watch.status.words
    assert "pulse before" in car.watch.status.words


def test_a_receiver_of_another_year_is_told_once_and_shown_loudly() -> None:
    car = Car(wrong_ns=-2600 * DAY_NS)
    car.ride(300)
    assert not car.watch.status.known
    (told,) = car.warned
    assert told.startswith("UTC is not known")
    assert utc_line(_status(car.watch.status)) == ("NOT KNOWN", Level.LOUD)


@pytest.mark.parametrize(("rate", "word"), [(0.01, "slow"), (-0.005, "fast")])
def test_a_clock_that_is_no_crystals_is_told_once(rate: float, word: str) -> None:
    car = Car()
    car.cell.stream.tick_rate = (rate, 1e-5)
    car.ride(30)
    (told,) = car.warned
    off = 100 * abs(1.0 / (1.0 + rate) - 1.0)
    assert told.startswith(f"{car.cell.name}: its clock runs {off:.3g} ± 0.002 % {word}")


def test_a_rate_that_wanders_is_not_told_and_another_one_is_told_again() -> None:
    """The line drains after a hold-up: what is seen meanwhile is no clock's."""
    car = Car()
    for k in range(20):
        car.cell.stream.tick_rate = (0.06 * 0.8**k, 1e-5)
        car.ride(1)
    assert car.warned == []
    for rate in (0.06, -0.02):
        car.cell.stream.tick_rate = (rate, 1e-5)
        car.ride(10)
    slow, fast = car.warned
    assert "5.66" in slow
    assert "slow" in slow
    assert "2.04" in fast
    assert "not as was told before" in fast


def test_a_rate_that_was_the_lines_is_taken_back() -> None:
    car = Car()
    car.cell.stream.tick_rate = (0.02, 1e-5)
    car.ride(5)
    car.cell.stream.tick_rate = (2e-5, 1e-5)
    car.ride(5)
    slow, usual = car.warned
    assert "slow" in slow
    assert "after all" in usual


def test_ticks_that_contradict_the_computer_are_told_once() -> None:
    car = Car()
    car.cell.stream.pace_beyond = 10.0
    car.ride(30)
    (told,) = car.warned
    assert "10 of its seconds in one" in told
    assert "simulated_speed" in told


def test_a_rate_not_yet_seen_well_is_not_told() -> None:
    car = Car()
    car.cell.stream.tick_rate = (0.001, 0.0004)
    car.ride(30)
    assert car.warned == []


def test_what_is_known_goes_over_the_control_channel() -> None:
    status = _status(ClockStatus(known=True, u_s=0.3, words="", contradicted=False))
    assert SessionStatus.from_dict(status.to_dict()) == status
    assert _status(ClockStatus()).clock.words == UNHEARD


def _status(clock: ClockStatus) -> SessionStatus:
    return SessionStatus(state=RunState.RECORDING, t_s=1.0, utc_ns=STARTED_UTC_NS, clock=clock)


def test_a_bug_of_the_watch_ends_the_watch_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        msg = "a square root of less than nothing"
        raise ArithmeticError(msg)

    monkeypatch.setattr(clock_watch, "judge_utc", broken)
    car = Car()
    car.ride(60)
    (told,) = car.warned
    assert "no longer watched" in told
    assert "ArithmeticError" in told
    assert not car.watch.status.known
