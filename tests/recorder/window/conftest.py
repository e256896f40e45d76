"""A recording that is not there: real certificates and records, no process, no ring."""

from __future__ import annotations

import os

os.environ["QT_QPA_PLATFORM"] = "offscreen"

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import SenseCurve, UncertaintyTable
from calibration.certificates.wheel import WheelCertificate
from calibration.clock.tick_line import TickLine
from recorder.acquisition.control.client import SessionLostError
from recorder.acquisition.control.exchanges import RequestRefusedError
from recorder.acquisition.control.requests import KeyedMark, NotKeptYetError
from recorder.acquisition.control.status import DeviceStatus, KeepingStatus, SessionStatus
from recorder.acquisition.ring.ring import RingStats
from recorder.marks.mark import Mark
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.block import Block
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run.parts.states import DeviceState, FilerState, RunState
from recorder.window.model.live.live_run import LiveRun

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QApplication

    from recorder.acquisition.control.client import LiveSession

KN_PER_COUNT = 1e-4
ZERO_COUNTS = 1000
M_PER_PULSE = 0.005

CAR_SHEET = """
[car]
name = "Car of trials"
number = "7"
time_zone = "Etc/GMT+7"

[devices.drawbar]
driver = "load-cell-frames"
port = "tcp://127.0.0.1:4001"
[devices.drawbar.channels.ch0]
quantity = "pull"
certificate = "cell.json"

[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:4002"
certificate = "wheel.json"

[devices.clock]
driver = "nmea-0183"
port = "tcp://127.0.0.1:4003"
"""

TRIP_SHEET = """
[trip]
name = "Ambleford to Birchmoor"
date = 2026-05-04

[mileposts]
first = 12
"""

CELL = ForceCertificate(
    certificate_id="C-1",
    issued=date(2026, 1, 1),
    expires=date(2027, 1, 1),
    cell="a cell",
    capacity_kN=800.0,
    range_kN=(-500.0, 500.0),
    nominal_zero_counts=0.0,
    tension=SenseCurve((0.0, KN_PER_COUNT)),
    uncertainty=UncertaintyTable((0.0, 800.0), (0.1, 0.5), (2.0, 2.0)),
)
WHEEL = WheelCertificate(
    certificate_id="W-1",
    issued=date(2026, 1, 1),
    expires=date(2027, 1, 1),
    wheel="a wheel",
    circumference_m=M_PER_PULSE * 600,
    u_circumference_m=0.001,
    pulses_per_revolution=600,
)
DRAWBAR = DeviceHeader(
    name="drawbar",
    driver="load-cell-frames",
    port="tcp://127.0.0.1:4001",
    dtype=[["tick", "<u8"], ["ch0", "<i4"]],
    tick_hz=1e6,
    channels=(
        ChannelHeader(
            name="pull", quantity="pull", unit="kN", field="ch0", certificate="cell.json"
        ),
    ),
)
WHEEL_DEVICE = DeviceHeader(
    name="wheel",
    driver="wheel-pulses",
    port="tcp://127.0.0.1:4002",
    dtype=[
        ["tick", "<u8"], ["edge_tick", "<u8"], ["count", "<i8"], ["pps_tick", "<u8"],
        ["pps_count", "|u1"], ["flags", "|u1"], ["sequence", "|u1"],
    ],
    tick_hz=1e6,
    channels=(
        ChannelHeader(
            name="distance", quantity="distance", unit="m", field="count",
            certificate="wheel.json",
        ),
        ChannelHeader(
            name="speed", quantity="speed", unit="m/s", field="count", certificate="wheel.json"
        ),
    ),
)  # fmt: skip


def header(
    *, trip: str = TRIP_SHEET, car: str = CAR_SHEET, cell: ForceCertificate = CELL
) -> RunHeader:
    return RunHeader(
        run_id="run-1",
        started_utc_ns=1_777_888_800_000_000_000,
        started_monotonic_ns=time.monotonic_ns(),
        boot_id="boot",
        software="testcar test",
        car_sheet=car,
        trip_sheet=trip,
        certificates={
            "cell.json": dump_certificate(cell),
            "wheel.json": dump_certificate(WHEEL),
        },
        devices=(DRAWBAR, WHEEL_DEVICE),
    )


_HZ = {"drawbar": 2000.0, "wheel": 100.0}


class FakeReader:
    """Stands for a ring reader: hands over what a test put in."""

    def __init__(self) -> None:
        self.waiting: list[Block] = []
        self.lost_blocks = 0
        self.lost_records = 0
        self.closed = False

    def poll(self, *, max_blocks: int = 4096) -> list[Block]:
        taken, self.waiting = self.waiting[:max_blocks], self.waiting[max_blocks:]
        return taken

    def close(self) -> None:
        self.closed = True


@dataclass
class FakeSession:
    """Stands for a :class:`LiveSession`; refuses, stalls, loses and counts as a test says."""

    header: RunHeader = field(default_factory=header)
    run_path: Path = Path("run.h5")
    journal_path: Path = Path("no-such.journal")
    revisions: list[Mark] = field(default_factory=list)
    asked: list[tuple[str, Any]] = field(default_factory=list)
    refuse: str = ""
    stalls: str = ""
    keeping: KeepingStatus = field(default_factory=KeepingStatus)
    gone: str = ""
    state: RunState = RunState.RECORDING
    device_state: DeviceState = DeviceState.RUNNING
    filer: FilerState = FilerState.RUNNING
    disk_hours_left: float | None = 31.0
    unsound: tuple[str, ...] = ()
    zeros: tuple[Zero, ...] = (Zero(channel="pull", t_s=0.0, counts=float(ZERO_COUNTS)),)
    rings: dict[str, FakeReader] = field(
        default_factory=lambda: {"drawbar": FakeReader(), "wheel": FakeReader()}
    )
    zero_found: Zero = field(
        default_factory=lambda: Zero(channel="pull", t_s=1.0, counts=1001.5)
    )
    shunted_counts: float = 51_001.5
    closed: bool = False
    sent: dict[str, int] = field(default_factory=dict)

    def readers(self, *, backlog: bool = True) -> dict[str, FakeReader]:
        del backlog
        return dict(self.rings)

    def _ask(self, what: str, content: object = None) -> None:
        self.asked.append((what, content))
        if self.gone:
            raise SessionLostError(self.gone)
        if self.refuse:
            raise RequestRefusedError(self.refuse)

    def _keep(self, mark: Mark) -> Mark:
        """As the real one: a mark is taken in every state that takes marks, and in no other."""
        if not self.state.takes_marks:
            msg = "the run is being sealed: it takes no more marks"
            raise RequestRefusedError(msg)
        self.revisions.append(mark)
        return mark

    def run_time_s(self, monotonic_ns: int) -> float:
        return (monotonic_ns - self.header.started_monotonic_ns) / 1e9

    def status(self) -> SessionStatus:
        if self.gone:
            raise SessionLostError(self.gone)
        stats = RingStats(capacity=1 << 24, used=0, peak_used=0, dropped=0, dropped_records=0)
        devices = {
            d.name: DeviceStatus(
                name=d.name, state=self.device_state, records=5000, rate_hz=hz,
                expected_hz=hz, age_s=0.01, gaps=2 if d.name == "drawbar" else 0,
                lost_records=40 if d.name == "drawbar" else 0,
                last_fault="checksum is 0x3a, computed 0x7c" if d.name == "drawbar" else "",
                last_fault_t_s=61.0 if d.name == "drawbar" else None, ring=stats,
                unsound=self.unsound if d.name == "drawbar" else (),
            )
            for d, hz in ((d, _HZ.get(d.name, 1.0)) for d in self.header.devices)
        }  # fmt: skip
        return SessionStatus(
            state=self.state, t_s=1.0, utc_ns=0, devices=devices, marks=len(self.revisions),
            zeros=self.zeros, filer=self.filer, disk_free_bytes=412_000_000_000,
            disk_hours_left=self.disk_hours_left, keeping=self.keeping,
        )  # fmt: skip

    def take(self, keyed: KeyedMark) -> Mark:
        self._ask("mark", (keyed.kind, keyed.keyed_monotonic_ns, keyed.value))
        if self.stalls:
            raise NotKeptYetError(self.stalls)
        held = next((m for m in self.revisions if m.mark_id == keyed.mark_id), None)
        mark = Mark(
            mark_id=keyed.mark_id,
            kind=keyed.kind,
            t_s=self.run_time_s(keyed.keyed_monotonic_ns),
            value=keyed.value,
            extra=dict(keyed.extra),
        )
        return held or self._keep(mark)

    def revise(self, mark: Mark) -> Mark:
        self._ask("revise", mark)
        return self._keep(mark)

    def marks(self, since: int = 0) -> list[Mark]:
        return self.revisions[since:]

    def take_zero(self, seconds: float = 3.0, *, channel: str = "") -> list[Zero]:
        self._ask("zero", (seconds, channel))
        self._must_record()
        return [self.zero_found]

    def shunt_check(
        self, step: ShuntStep, seconds: float = 3.0, *, channel: str = ""
    ) -> ShuntCheck:
        self._ask("shunt", (step, seconds, channel))
        self._must_record()
        shunted = self.shunted_counts if step is ShuntStep.SHUNTED else math.nan
        return ShuntCheck(
            channel=channel, t_s=1.0, step=step, open_counts=1001.5, shunted_counts=shunted
        )

    def _must_record(self) -> None:
        if self.state is not RunState.RECORDING:
            msg = f"not now: the recording is at {self.state}"
            raise RequestRefusedError(msg)

    def stop(self, reason: str = "") -> None:
        self._ask("stop", reason)
        self.state = RunState.STOPPING

    def close(self) -> None:
        self.closed = True

    # ------------------------------------------------------------------ what a test sends

    def send_pull(self, t0_s: float, pull_kN: ArrayLike, *, hz: float = 2000.0) -> None:
        """Records of the drawbar from t0_s on."""
        counts = np.rint(np.asarray(pull_kN) / KN_PER_COUNT) + ZERO_COUNTS
        records = np.zeros(len(counts), dtype=DRAWBAR.record_dtype)
        records["tick"] = np.rint((t0_s + np.arange(len(counts)) / hz) * 1e6)
        records["ch0"] = np.clip(counts, -(2**23), 2**23 - 1)
        self._put("drawbar", records)

    def send_wheel(self, t0_s: float, distance_m: ArrayLike, *, hz: float = 100.0) -> None:
        """Records of the wheel from t0_s on; edges lie where the count was reached."""
        distance = np.asarray(distance_m, dtype=np.float64)
        t_s = t0_s + np.arange(len(distance)) / hz
        count = np.floor(distance / M_PER_PULSE).astype(np.int64)
        speed = np.maximum(np.abs(np.gradient(distance, t_s)), 0.01) if len(t_s) > 1 else 1.0
        late = np.minimum((distance - count * M_PER_PULSE) / speed, 1.0 / hz)
        records = np.zeros(len(distance), dtype=WHEEL_DEVICE.record_dtype)
        records["tick"] = np.rint(t_s * 1e6)
        records["edge_tick"] = np.rint(np.maximum(t_s - late, 0.0) * 1e6)
        records["count"] = count
        records["flags"] = 1
        self._put("wheel", records)

    def _put(self, device: str, records: NDArray[np.void]) -> None:
        size = {"drawbar": 200, "wheel": 10}[device]
        for start in range(0, len(records), size):
            part = records[start : start + size]
            n = self.sent.get(device, 0)
            self.sent[device] = n + len(part)
            block = Block(
                device=device, sequence=n // size, first_record=n, records=part,
                received_s=float(part["tick"][-1]) / 1e6, line=TickLine(0, 0.0, 1e-6),
            )  # fmt: skip
            self.rings[device].waiting.append(block)


def send_train(session: FakeSession, seconds: float, *, seed: int = 1) -> None:
    """A start, a pull up a grade, a slack run-in, braking: something to look at."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * 100)) / 100.0
    speed = 14.0 * (1 - np.exp(-t / 25.0)) * (1.0 + 0.08 * np.sin(t / 9.0))
    session.send_wheel(0.0, np.cumsum(speed) / 100.0)
    fine = np.arange(int(seconds * 2000)) / 2000.0
    pull = 260.0 * np.exp(-fine / 60.0) + 70.0 + 25.0 * np.sin(fine / 7.0)
    pull += 60.0 * np.exp(-((fine - 2.0) ** 2)) * np.sin(9 * fine)
    pull -= 340.0 * np.exp(-(((fine - 0.75 * seconds) / 4.0) ** 2))
    pull += rng.normal(0.0, 3.0, len(fine))
    session.send_pull(0.0, pull)


def shift_start(session: FakeSession, seconds: float) -> None:
    """As if recording had begun so long ago."""
    started = time.monotonic_ns() - int(seconds * 1e9)
    session.header = replace(session.header, started_monotonic_ns=started)


@pytest.fixture
def session() -> FakeSession:
    return FakeSession()


@pytest.fixture(scope="session")
def application() -> Iterator[QApplication]:
    from recorder.window.qt.frame.application import application as make

    app = make()
    yield app
    app.processEvents()


def make_run(session: FakeSession, *, attach_again: Callable[[], Any] | None = None) -> LiveRun:
    """A run on a session that is not there; its workers are stepped by hand."""
    return LiveRun(cast("LiveSession", session), attach_again=attach_again)


def settle(run: LiveRun, *, now_s: float = 0.0) -> None:
    """One round of everything: rings, requests, answers."""
    run.tick()
    run.control.step(now_s=now_s)
    run.ring_worker.step()
    run.tick()


@pytest.fixture
def run(session: FakeSession) -> Iterator[LiveRun]:
    made = make_run(session)
    yield made
    made.close()


class Kit:
    """What tests of this folder share: test files cannot import one another."""

    FakeSession = FakeSession
    TRIP_SHEET = TRIP_SHEET
    CAR_SHEET = CAR_SHEET
    CELL = CELL
    KN_PER_COUNT = KN_PER_COUNT
    make_run = staticmethod(make_run)
    settle = staticmethod(settle)
    send_train = staticmethod(send_train)
    shift_start = staticmethod(shift_start)
    header = staticmethod(header)


@pytest.fixture
def kit() -> Kit:
    return Kit()
