"""Disk, clocks and rates: what is warned of, and when recording must stop."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from recorder.acquisition.devices.device_thread import DeviceThread
from recorder.acquisition.preparation.plan import make_plan
from recorder.acquisition.process.health import HealthMonitor
from recorder.acquisition.process.notices import Notices
from recorder.acquisition.process.reports import RecordingReport
from recorder.acquisition.ring.ring import RingWriter
from recorder.machine.clocks import Clocks, HostTimepiece, RunClock, Timepiece
from recorder.machine.host import rss_bytes
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.states import DeviceState
from recorder.sheets import load_car_sheet

_NUMBER = itertools.count()
GiB = 2**30


class Desk:
    """Monitors one device that exists in name only."""

    def __init__(
        self,
        folder: Path,
        car: Path,
        clocks: Timepiece | None = None,
        rss: Callable[[], int] = rss_bytes,
    ) -> None:
        self.free: int | OSError = 1000 * GiB
        """What the disk answers."""
        self.events: list[Event] = []
        self.warnings: list[str] = []
        name = f"tctest_w{os.getpid()}_{next(_NUMBER)}"
        self.ring = RingWriter(name, dtype=np.dtype([("tick", "<u8")]), capacity=8192)
        self.stream = SimpleNamespace(
            total=0, seen=0, gaps=0, lost_records=0, bytes_dropped=0, quiet_after_s=1.0,
            last_fault="", last_fault_t_s=None,
        )  # fmt: skip
        self.thread = SimpleNamespace(
            name="drawbar",
            stream=self.stream,
            ring=self.ring,
            state=DeviceState.RUNNING,
            last_received_s=None,
        )
        self.plan = make_plan(load_car_sheet(car))
        self.health = HealthMonitor(
            self.plan,
            [cast("DeviceThread", cast("Any", self.thread))],
            run_path=folder / "run.h5",
            keep=self.events.append,
            warn=self.warnings.append,
            timepiece=clocks,
            free=self._answer,
            rss=rss,
        )

    def _answer(self, _folder: Path) -> int:
        if isinstance(self.free, OSError):
            raise self.free
        return self.free

    def second(self, t_s: float) -> None:
        self.health.second(t_s, keep_s=0.001, more={})


@pytest.fixture
def desk(tmp_path: Path, make_sheets: Callable[..., tuple[Path, Path]]) -> Iterator[Desk]:
    car, _ = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    made = Desk(tmp_path, car)
    yield made
    made.ring.close()


def test_rates_and_health_are_kept_every_second(desk: Desk) -> None:
    for t in range(6):
        desk.stream.total = desk.stream.seen = 2000 * t
        desk.stream.bytes_dropped = 37
        desk.thread.last_received_s = float(t)
        desk.second(float(t))
    device = desk.health.devices(5.2)["drawbar"]
    assert device.rate_hz == pytest.approx(2000.0)
    assert device.state is DeviceState.RUNNING
    assert device.age_s == pytest.approx(0.2)
    health = [e for e in desk.events if e.kind == "health"]
    anchors = [e for e in desk.events if e.kind == "clock_anchor"]
    assert len(health) == len(anchors) == 6
    assert health[-1].data["devices"]["drawbar"]["records"] == 10_000
    assert health[-1].data["devices"]["drawbar"]["bytes_dropped"] == 37
    assert {"monotonic_ns", "utc_ns"} <= set(anchors[0].data)
    assert desk.health.devices(7.0)["drawbar"].state is DeviceState.QUIET
    desk.thread.state = DeviceState.LOST
    assert desk.health.devices(7.0)["drawbar"].state is DeviceState.LOST


def test_during_the_zero_rates_and_disk_are_known_and_nothing_is_kept(desk: Desk) -> None:
    """No record is of the run yet, but a crew that waits for the zero wants to see them come."""
    desk.health.look_at_disk(-6.0)
    for i in range(13):
        desk.stream.seen = 1000 * i
        desk.health.look_at_rates(-6.0 + 0.5 * i)
    device = desk.health.devices(0.0)["drawbar"]
    assert device.rate_hz == pytest.approx(2000.0)
    assert device.records == 0
    assert desk.health.free_bytes == desk.free
    assert desk.health.hours_left is not None
    assert desk.events == []


def test_the_last_hour_of_disk_is_warned_of_once(desk: Desk) -> None:
    desk.free = 256 * 2**20 + GiB
    desk.second(0.0)
    assert desk.health.hours_left is not None
    hourly = GiB / desk.health.hours_left
    desk.warnings.clear()
    desk.events.clear()
    desk.free = int(256 * 2**20 + 1.5 * hourly)
    desk.second(0.5)
    assert desk.warnings == []
    assert desk.health.hours_left == pytest.approx(1.5, rel=1e-3)
    desk.free = int(256 * 2**20 + 0.9 * hourly)
    desk.second(1.0)
    desk.second(2.0)
    (words,) = desk.warnings
    assert "disk for 0.90 h left" in words
    assert [e.data["hours_left"] for e in desk.events if e.kind == "disk"] == [
        pytest.approx(0.9, rel=1e-3)
    ]
    assert not desk.health.disk_ends
    desk.free = 255 * 2**20
    desk.second(3.0)
    assert desk.health.disk_ends


def test_what_is_needed_to_seal_is_kept_free_too(desk: Desk, tmp_path: Path) -> None:
    with (tmp_path / "run.h5").open("wb") as file:
        file.truncate(10 * GiB)
    desk.free = GiB
    desk.second(0.0)
    assert desk.health.disk_ends


def test_a_disk_that_does_not_answer_is_said_and_not_fatal(desk: Desk) -> None:
    desk.free = OSError(5, "input/output error")
    desk.second(0.0)
    desk.second(1.0)
    (words,) = desk.warnings
    assert "the free disk cannot be read" in words
    assert not desk.health.disk_ends


class Stepping(HostTimepiece):
    """A computer whose clocks read so, one after the other."""

    def __init__(self, clocks: Iterator[Clocks]) -> None:
        self.clocks = clocks

    def read(self) -> Clocks:
        return next(self.clocks)


def test_steps_of_the_wall_clock_and_sleep_are_told(
    tmp_path: Path, make_sheets: Callable[..., tuple[Path, Path]]
) -> None:
    clocks = iter(
        [
            Clocks(monotonic_ns=0, utc_ns=10**18, boottime_ns=0),
            Clocks(monotonic_ns=10**9, utc_ns=10**18 + 10**9, boottime_ns=10**9),
            Clocks(monotonic_ns=2 * 10**9, utc_ns=10**18 - 10**9, boottime_ns=2 * 10**9),
            Clocks(monotonic_ns=3 * 10**9, utc_ns=10**18 + 10**9, boottime_ns=5 * 10**9),
        ]
    )
    car, _ = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    desk = Desk(tmp_path, car, Stepping(clocks))
    for t in range(4):
        desk.second(float(t))
    desk.ring.close()
    step = next(e for e in desk.events if e.kind == "wall_clock_step")
    assert step.data["step_s"] == pytest.approx(-3.0)
    slept = next(e for e in desk.events if e.kind == "suspended")
    assert slept.data["slept_s"] == pytest.approx(2.0)
    assert len(desk.warnings) == 2, "the step seen after sleep is the sleep's own"


def test_a_figure_that_cannot_be_had_is_told_once_and_takes_no_other_down(
    tmp_path: Path, make_sheets: Callable[..., tuple[Path, Path]]
) -> None:
    def fails() -> Any:
        msg = "no such figure"
        raise KeyError(msg)

    car, _ = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    desk = Desk(tmp_path, car, rss=fails)
    desk.thread.ring = SimpleNamespace(stats=fails)
    for t in range(3):
        desk.second(float(t))
    desk.ring.close()
    assert [w.partition(":")[0] for w in desk.warnings] == [
        "the memory of the recording",
        "the health of the devices",
    ]
    assert all("internal error, KeyError" in words for words in desk.warnings)
    bugs = [e.data["what"] for e in desk.events if e.kind == "bug"]
    assert bugs == ["the memory of the recording", "the health of the devices"]
    assert [e.kind for e in desk.events if e.kind == "clock_anchor"] == ["clock_anchor"] * 3
    health = [e.data for e in desk.events if e.kind == "health"]
    assert [sorted(data) for data in health] == [[]] * 3


@pytest.mark.parametrize(
    "gone", [BrokenPipeError(32, "Broken pipe"), ValueError("closed file")]
)
def test_who_hears_no_reports_any_more_is_let_be(gone: Exception) -> None:
    heard = Listener(gone)
    notices = Notices(heard, RunClock(0))
    notices.keep(GAP)
    notices.warn("a disk that is slow")
    kept = notices.outbox.take()
    assert heard.times == 2
    assert kept[0] == GAP
    assert [e.kind for e in kept if isinstance(e, Event)] == ["warning"]


def test_a_mistake_in_who_reports_takes_nothing_with_it_and_is_told_once() -> None:
    """Devices and keeper report from their own threads: they go on."""
    heard = Listener(KeyError("no such word"))
    notices = Notices(heard, RunClock(0))
    for _ in range(3):
        notices.keep(GAP)
    kept = notices.outbox.take()
    assert heard.times == 3
    assert kept.count(GAP) == 3
    (bug,) = (e for e in kept if isinstance(e, Event))
    assert (bug.kind, bug.data["error"]) == ("bug", "KeyError: 'no such word'")
    assert "Listener" in bug.data["trace"] or "__call__" in bug.data["trace"]
    (words,) = notices.warnings
    assert words.startswith("reports: internal error, KeyError")


GAP = Gap(device="cell", t_start_s=0.0, t_end_s=1.0, cause=Cause.CHECKSUM, before_record=3)


class Listener:
    """Hears a report by raising an error."""

    def __init__(self, error: Exception) -> None:
        self.times = 0
        self._error = error

    def __call__(self, _report: RecordingReport) -> None:
        self.times += 1
        raise self._error
