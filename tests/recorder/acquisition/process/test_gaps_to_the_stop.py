"""A device that falls silent, never speaks or hangs: a gap up to the stop, on real ports."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pytest

from drivers.interface.driver_interface import Batch, DriverDescription, Layout, Rest, Role
from drivers.interface.registry import DRIVERS
from recorder.acquisition.preparation.settings import Outcome, RecordingSettings
from recorder.acquisition.process.pace import JOIN_S
from recorder.acquisition.process.recording import record
from recorder.acquisition.process.reports import Progress, RecordingReport
from recorder.acquisition.process.running import StopWish
from recorder.run.parts.states import DeviceState
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.acquisition.conftest import load_cell_frame, write_sheets

if TYPE_CHECKING:
    from drivers.interface.driver_interface import DeviceDriver
    from recorder.acquisition.control.status import DeviceStatus, SessionStatus
    from tests.recorder.acquisition.conftest import FakeCell

pytestmark = pytest.mark.slow


class ToldCell:
    """A front end on a TCP port that sends some frames to its first reader, and no more."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._readers: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, name="told cell")
        self._thread.start()

    @property
    def port(self) -> str:
        return f"tcp://127.0.0.1:{self._listener.getsockname()[1]}"

    def end(self) -> None:
        # Some systems do not wake an accept by a close.
        socket.create_connection(self._listener.getsockname()).close()
        self._thread.join(10.0)
        for reader in self._readers:
            reader.close()

    def _serve(self) -> None:
        with self._listener:
            reader, _ = self._listener.accept()
            self._readers.append(reader)
            for k in range(self._frames):
                reader.sendall(load_cell_frame(k, 20 * k, 2))
            self._readers.append(self._listener.accept()[0])


@pytest.fixture
def make_told() -> Iterator[Callable[[int], ToldCell]]:
    made: list[ToldCell] = []

    def make(frames: int) -> ToldCell:
        made.append(ToldCell(frames))
        return made[-1]

    yield make
    for one in made:
        one.end()


class Stopper:
    """A reporter that asks for the stop at the first status that is as wanted."""

    def __init__(self, wanted: Callable[[SessionStatus], bool]) -> None:
        self.stop = StopWish()
        self._wanted = wanted

    def __call__(self, report: RecordingReport) -> None:
        if isinstance(report, Progress) and self._wanted(report.status):
            self.stop.ask("seen enough")


def recorded(
    sheets: tuple[Path, Path],
    out: Path,
    wanted: Callable[[SessionStatus], bool],
    *,
    until_quiet_s: float | None = None,
) -> Outcome:
    car, trip = sheets
    settings = RecordingSettings(
        car_sheet=car, trip_sheet=trip, out=out, zero_seconds=0.0, until_quiet_s=until_quiet_s
    )
    stopper = Stopper(wanted)
    return record(settings, stopper, stopper.stop)


def long_silent(device: DeviceStatus) -> bool:
    return device.state is DeviceState.QUIET and (device.age_s or 0.0) > 1.5


def test_a_device_that_falls_silent_is_a_gap_up_to_the_stop(
    tmp_path: Path, make_told: Callable[[int], ToldCell]
) -> None:
    sheets = write_sheets(tmp_path, make_told(30).port, silence_limit_s=60.0)
    out = tmp_path / "run.h5"
    outcome = recorded(sheets, out, lambda s: long_silent(s.devices["drawbar"]))
    assert (outcome.gaps, outcome.lost_records, outcome.records["drawbar"]) == (1, 0, 600)
    with open_run(out) as run:
        (gap,) = run.gaps()
        last_s = float(run.channels["pull"].time_s()[-1])
        (stop,) = [event for event in run.events() if event.kind == "stop"]
    assert (gap.cause, gap.before_record) == ("silent", 600)
    assert gap.t_start_s == pytest.approx(last_s, abs=0.01)
    assert gap.t_end_s == stop.t_s
    assert gap.t_end_s - gap.t_start_s > 1.5


def test_a_device_that_never_sent_a_record_is_a_gap_of_the_whole_run(
    tmp_path: Path, make_told: Callable[[int], ToldCell]
) -> None:
    sheets = write_sheets(tmp_path, make_told(0).port, silence_limit_s=60.0)
    out = tmp_path / "run.h5"
    outcome = recorded(sheets, out, lambda s: s.t_s > 1.8)
    assert (outcome.gaps, outcome.records["drawbar"]) == (1, 0)
    with open_run(out) as run:
        (gap,) = run.gaps()
    assert (gap.cause, gap.before_record) == ("silent", 0)
    assert "no record in" in gap.detail
    assert gap.t_start_s == pytest.approx(0.0, abs=0.8)
    assert gap.t_end_s == outcome.duration_s


def test_of_feeds_that_end_one_that_fell_silent_before_has_its_gap(
    tmp_path: Path, cell: FakeCell, make_told: Callable[[int], ToldCell]
) -> None:
    other = f"""
[devices.other]
driver = "load-cell-frames"
port = "{make_told(30).port}"
silence_limit_s = 60.0
channel_count = 2
[devices.other.channels.ch0]
name = "second"
quantity = "pull"
certificate = "cell.json"
"""
    sheets = write_sheets(tmp_path, cell.port, more=other)
    ending: list[threading.Thread] = []

    def wanted(status: SessionStatus) -> bool:
        if long_silent(status.devices["other"]) and not ending:
            ending.append(threading.Thread(target=cell.end))
            ending[0].start()
        return False

    out = tmp_path / "run.h5"
    outcome = recorded(sheets, out, wanted, until_quiet_s=0.7)
    ending[0].join()
    assert outcome.reason == "no device sends anything any more"
    assert outcome.gaps == 1
    with open_run(out) as run:
        (gap,) = run.gaps()
        last_s = float(run.channels["pull"].time_s()[-1])
    assert (gap.device, gap.cause, gap.before_record) == ("other", "silent", 600)
    assert gap.t_end_s == pytest.approx(last_s, abs=0.1)


class NeverBack:
    """A driver whose second read waits for a byte that never comes, as a hung port does."""

    description = DriverDescription(role=Role.WHEEL, usual_hz=100.0, host_clock=False)
    ends: ClassVar[list[int]] = []
    """Writing ends of the pipes it hangs on."""

    def __init__(self, device_id: str) -> None:
        self.device_id = device_id
        self.layout = self.layout_for({}, device_id=device_id)
        self._pipe, end = os.pipe()
        self.ends.append(end)
        self._reads = 0

    @classmethod
    def layout_for(cls, options: Mapping[str, object], *, device_id: str) -> Layout:  # noqa: ARG003 - the driver's own signature
        fields = [("tick", "<u8"), ("count", "<i8")]
        return Layout(dtype=np.dtype(fields), tick_hz=1000.0)

    @classmethod
    def open(
        cls,
        *,
        device_id: str,
        port: str,  # noqa: ARG003 - it is a pipe of ours
        options: Mapping[str, object],  # noqa: ARG003
        after: DeviceDriver | None = None,  # noqa: ARG003
        now_ns: Callable[[], int] = time.monotonic_ns,  # noqa: ARG003
    ) -> NeverBack:
        return cls(device_id)

    def read(self) -> Batch:
        if self._reads:
            os.read(self._pipe, 1)
        self._reads += 1
        records = np.zeros(50, self.layout.dtype)
        records["tick"] = 50 * self._reads + np.arange(50)
        return Batch(records=records, received_ns=time.monotonic_ns())

    def drain(self) -> Rest:
        return Rest(batches=(), cut_bytes=0)

    def close(self) -> None:
        os.close(self._pipe)


def test_a_device_whose_port_hangs_is_a_gap_and_the_others_are_none(
    tmp_path: Path, cell: FakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = f"{NeverBack.__module__}:{NeverBack.__qualname__}"
    monkeypatch.setitem(DRIVERS, "never-back", place)
    hung = """
[devices.hung]
driver = "never-back"
port = "/dev/null"
"""
    sheets = write_sheets(tmp_path, cell.port, more=hung)
    out = tmp_path / "run.h5"
    outcome = recorded(sheets, out, lambda s: s.devices["drawbar"].records > 100)
    # Only now the read comes back, with records that are no longer of the run.
    for end in NeverBack.ends:
        os.close(end)
    for thread in threading.enumerate():
        if thread.name == "device hung":
            thread.join(10.0)
    assert (outcome.gaps, outcome.records["hung"]) == (1, 50)
    assert "hung: does not stop; its port hangs" in outcome.warnings
    with open_run(out) as run:
        (gap,) = run.gaps()
        last_s = float(run.devices["hung"].time_s(49, 50)[0])
        # The run ends at the stop, not when the patience with the hung port did.
        assert run.duration_s == pytest.approx(outcome.duration_s, abs=0.2)
        assert run.duration_s - float(run.channels["pull"].time_s()[-1]) < JOIN_S / 2
    assert (gap.device, gap.cause, gap.before_record) == ("hung", "hangs", 50)
    assert gap.t_start_s == pytest.approx(last_s, abs=0.01)
    assert gap.t_end_s == outcome.duration_s
