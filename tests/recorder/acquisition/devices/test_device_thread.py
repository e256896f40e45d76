"""A device's thread reopens what was lost, and a bug of ours is a gap, not the end."""

from __future__ import annotations

import itertools
import os
import queue
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from drivers.interface.driver_interface import Backlog, Batch, DeviceDriver, Layout, Rest
from drivers.interface.errors import LinkLostError
from recorder.acquisition.devices.device_stream import DeviceStream
from recorder.acquisition.devices.device_thread import DeviceThread
from recorder.acquisition.ring.ring import RingReader, RingWriter
from recorder.machine.clocks import RunClock
from recorder.run.parts.block import Block
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Gap
from recorder.run.parts.states import DeviceState

DTYPE = np.dtype([("tick", "<u8")])
_NUMBER = itertools.count()
Step: TypeAlias = "int | Exception | Backlog"
"""Records to give, an error to raise, or a backlog to tell."""


@dataclass
class Straight:
    def update(self, tick: int, received_s: float) -> TickLine:  # noqa: ARG002 - a clock's
        return TickLine(tick0=0, t0_s=0.0, s_per_tick=1e-3)


class Scripted:
    """A driver that does what the script says: a number of records, or an error to raise."""

    device_id = "cell"
    layout = Layout(dtype=DTYPE, tick_hz=1000.0)

    def __init__(self, script: queue.Queue[Step]) -> None:
        self._script = script
        self.closed = 0
        self.tick = 0
        self.rest = Rest(batches=(), cut_bytes=0)
        self.goes_at_the_end = False
        """The port is gone when it is drained, and so not before it was closed."""

    def read(self) -> Batch:
        try:
            step: Step = self._script.get(timeout=0.05)
        except queue.Empty:
            step = 0
        if isinstance(step, Exception):
            raise step
        backlog = step if isinstance(step, Backlog) else None
        step = 0 if isinstance(step, Backlog) else step
        records = np.zeros(step, DTYPE)
        records["tick"] = np.arange(self.tick, self.tick + step)
        self.tick += step
        return Batch(records=records, received_ns=time.monotonic_ns(), backlog=backlog)

    def drain(self) -> Rest:
        if self.goes_at_the_end and not self.closed:
            why = "unplugged"
            raise LinkLostError(self.device_id, why)
        return self.rest

    def close(self) -> None:
        self.closed += 1


class Desk:
    def __init__(self) -> None:
        self.script: queue.Queue[Step] = queue.Queue()
        self.reported: queue.Queue[Event | Gap] = queue.Queue()
        self.order: list[str] = []
        self.warnings: list[str] = []
        self.refusals = 0
        self.drivers = [Scripted(self.script)]
        self.ring = RingWriter(f"tctest_d{os.getpid()}_{next(_NUMBER)}", dtype=DTYPE)
        self.thread = DeviceThread(
            "cell",
            self.drivers[0],
            reopen=self._reopen,
            stream=DeviceStream("cell", make_clock=Straight, from_start_only=False),
            ring=self.ring,
            notify=self._notify,
            warn=self.warnings.append,
            clock=RunClock(time.monotonic_ns()),
        )

    def _reopen(self, closed: DeviceDriver) -> DeviceDriver:
        assert closed is self.drivers[-1]
        assert self.drivers[-1].closed == 1
        if self.refusals:
            self.refusals -= 1
            why = "still gone"
            raise LinkLostError(self.thread.name, why)
        fresh = Scripted(self.script)
        fresh.tick = self.drivers[-1].tick
        self.drivers.append(fresh)
        return fresh

    def _notify(self, item: Event | Gap) -> None:
        self.order.append(type(item).__name__)
        self.reported.put(item)

    def hear(self) -> Event | Gap:
        return self.reported.get(timeout=10.0)


@pytest.fixture
def desk() -> Iterator[Desk]:
    made = Desk()
    made.thread.start()
    yield made
    made.thread.stop()
    assert made.thread.join(10.0)
    assert all(driver.closed == 1 for driver in made.drivers)
    made.ring.close()


def test_a_lost_link_is_told_at_once_and_mended(desk: Desk) -> None:
    desk.refusals = 2
    desk.script.put(5)
    desk.script.put(LinkLostError("cell", "unplugged"))
    desk.script.put(3)
    lost = desk.hear()
    assert isinstance(lost, Event)
    assert lost.data == {"device": "cell", "state": "lost", "why": "unplugged"}
    back = desk.hear()
    assert isinstance(back, Event)
    assert back.data["state"] == "back"
    gap = desk.hear()
    assert isinstance(gap, Gap)
    assert (gap.cause, gap.before_record) == ("link lost", 5)
    assert desk.thread.state is DeviceState.RUNNING
    assert desk.thread.opened == 2


def test_a_bug_is_a_gap_with_its_trace_kept(desk: Desk) -> None:
    desk.script.put(5)
    desk.script.put(ZeroDivisionError("oh"))
    desk.script.put(3)
    bug = desk.hear()
    assert isinstance(bug, Event)
    assert bug.kind == "bug"
    assert "ZeroDivisionError: oh" in bug.data["error"]
    assert "Traceback" in bug.data["trace"]
    told = [desk.hear(), desk.hear(), desk.hear()]
    gap = told[-1]
    assert isinstance(gap, Gap)
    assert "the driver failed, ZeroDivisionError" in gap.detail


def test_a_driver_that_does_not_even_close_is_a_gap_too_and_is_opened_again(desk: Desk) -> None:
    def bug() -> None:
        desk.drivers[0].closed += 1
        msg = "no such handle"
        raise ValueError(msg)

    desk.drivers[0].close = bug  # type: ignore[method-assign]  # of this one alone
    desk.script.put(LinkLostError("cell", "unplugged"))
    desk.script.put(4)
    states = [desk.hear() for _ in range(3)]
    assert all(isinstance(event, Event) for event in states)
    told = [(e.data["state"], e.data.get("why")) for e in states if isinstance(e, Event)]
    assert told == [
        ("closing failed", "ValueError: no such handle"), ("lost", "unplugged"), ("back", None)
    ]  # fmt: skip
    gap = desk.hear()
    assert isinstance(gap, Gap)
    assert gap.detail == "unplugged"


def test_a_gap_is_told_before_its_records_are_in_the_ring(desk: Desk) -> None:
    seen = threading.Event()
    write = desk.ring.write

    def writing(block: Block) -> None:
        desk.order.append("ring")
        write(block)
        if desk.order.count("ring") == 2:
            seen.set()

    desk.ring.write = writing  # type: ignore[method-assign]  # looked over the shoulder
    desk.script.put(5)
    desk.script.put(LinkLostError("cell", "unplugged"))
    desk.script.put(3)
    assert seen.wait(10.0)
    assert desk.order == ["ring", "Event", "Event", "Gap", "ring"]


def test_a_tap_sees_what_passes(desk: Desk) -> None:
    class Tap:
        def __init__(self) -> None:
            self.ticks: list[int] = []
            self.full = threading.Event()

        def see(self, records: np.ndarray, time_s: np.ndarray) -> None:
            self.ticks.extend(records["tick"].tolist())
            assert time_s == pytest.approx(records["tick"] * 1e-3)
            if len(self.ticks) >= 8:
                self.full.set()

    tap = Tap()
    desk.thread.add_tap(tap)
    desk.script.put(5)
    desk.script.put(3)
    assert tap.full.wait(10.0)
    desk.thread.remove_tap(tap)
    desk.thread.remove_tap(tap)
    assert tap.ticks == list(range(8))
    with RingReader(desk.ring.name, dtype=DTYPE) as reader:
        assert sum(len(block.records) for block in reader.poll()) == 8


def test_who_only_looks_on_costs_no_record_when_he_fails(desk: Desk) -> None:
    """A watch with a bug in it is told, once, and left out; the device is read on."""

    class Bad:
        def see(self, records: np.ndarray, time_s: np.ndarray) -> None:  # noqa: ARG002 - a tap's
            msg = "of the watch"
            raise ArithmeticError(msg)

    reader = RingReader(desk.ring.name, dtype=DTYPE)
    desk.thread.add_tap(Bad())
    desk.script.put(5)
    told = desk.hear()
    desk.script.put(5)
    desk.script.put(LinkLostError("cell", "unplugged"))
    lost = desk.hear()
    assert isinstance(told, Event)
    assert isinstance(lost, Event)
    assert (told.kind, told.data["error"]) == ("bug", "ArithmeticError: of the watch")
    assert "see" in told.data["trace"]
    assert lost.data["why"] == "unplugged", "nothing was lost before"
    assert sum(len(block.records) for block in reader.poll()) == 10
    (words,) = desk.warnings
    assert words.endswith("of the watch; recording goes on without it")
    reader.close()


def test_a_backlog_is_told_to_the_crew_and_kept(desk: Desk) -> None:
    desk.script.put(Backlog(over=False, lasted_s=2.04, most_bytes=4095))
    desk.script.put(Backlog(over=True, lasted_s=7.31, most_bytes=8000))
    began, over = desk.hear(), desk.hear()
    assert isinstance(began, Event)
    assert isinstance(over, Event)
    assert began.data == {
        "device": "cell", "state": "cannot keep up", "lasted_s": 2.0, "most_bytes": 4095,
    }  # fmt: skip
    assert (over.data["state"], over.data["lasted_s"]) == ("keeps up again", 7.3)
    (warning,) = desk.warnings
    assert warning.startswith("cell: bytes come faster than they are read, 4095 wait")


@pytest.mark.parametrize("goes", [False, True])
def test_what_had_come_before_the_stop_is_in_the_ring(desk: Desk, goes: bool) -> None:
    """Also where the port goes at that very moment: what was in hand is of the run."""
    desk.drivers[0].goes_at_the_end = goes
    desk.script.put(5)
    records = np.zeros(3, DTYPE)
    records["tick"] = [5, 6, 7]
    late = Batch(records=records, received_ns=time.monotonic_ns(), partial_bytes=11)
    desk.drivers[0].rest = Rest(batches=(late,), cut_bytes=9)
    desk.thread.stop()
    assert desk.thread.join(10.0)
    assert (desk.thread.stream.partial_bytes, desk.thread.stream.cut_bytes) == (11, 9)
    with RingReader(desk.ring.name, dtype=DTYPE) as reader:
        taken = np.concatenate([block.records["tick"] for block in reader.poll()])
    assert taken.tolist()[-3:] == [5, 6, 7]


def test_what_comes_after_it_was_given_up_is_not_of_the_run(desk: Desk) -> None:
    desk.thread.give_up()
    desk.script.put(5)
    desk.script.put(LinkLostError("cell", "unplugged"))
    lost = desk.hear()
    assert isinstance(lost, Event)
    assert desk.thread.stream.seen == 0
    assert desk.thread.stream.finish(0.5) == []
