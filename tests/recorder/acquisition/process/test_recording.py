"""Recordings in processes of their own: nothing lost, gaps told, every end a clean one."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import psutil
import pytest

import recorder
from calibration.certificates.force_curve import ShuntExpectation
from recorder.acquisition.control.client import SessionLostError, attach
from recorder.acquisition.control.exchanges import RefusedError
from recorder.acquisition.control.session_files import SessionError, runtime_folder
from recorder.acquisition.control.status import DeviceStatus
from recorder.acquisition.process.launch import start_recording
from recorder.acquisition.process.reports import CheckReport, ZeroBegins
from recorder.acquisition.process.settings import RecordingError
from recorder.acquisition.ring.ring import RingError
from recorder.machine.shared_memory import SHM_FOLDER
from recorder.run.shunt_check import ShuntStep
from recorder.run.states import DeviceState, FilerState, RunState
from recorder.run.zero_line import ZeroTime
from recorder.run_file.hdf5.reader import open_run

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell

Sheets = tuple[Path, Path]
pytestmark = pytest.mark.slow


@pytest.fixture
def sheets(tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]) -> Sheets:
    return make_sheets(tmp_path, cell.port)


@pytest.fixture(autouse=True)
def _no_segment_left() -> Iterator[None]:
    before = set(SHM_FOLDER.glob("tcar_*")) if SHM_FOLDER.is_dir() else set()
    yield
    after = set(SHM_FOLDER.glob("tcar_*")) if SHM_FOLDER.is_dir() else set()
    assert not {p for p in after - before if f"_{os.getpid()}_" in p.name}


def wait_for(what: Callable[[], bool], timeout_s: float = 20.0) -> None:
    """Look again and again; the state asked for has no event of its own here."""
    deadline = time.monotonic() + timeout_s
    pause = threading.Event()
    while not what():
        assert time.monotonic() < deadline, "it never came to be"
        pause.wait(0.02)


def counts(run: Path) -> np.ndarray:
    with open_run(run) as opened:
        return np.asarray(opened.channels["pull"].counts())


def assert_unbroken(run: Path, *, at_least: int) -> None:
    taken = counts(run)
    assert len(taken) >= at_least
    assert np.array_equal(taken, np.arange(len(taken)) % 100_000)


def test_a_run_is_recorded_count_for_count_and_sealed(tmp_path: Path, sheets: Sheets) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, seconds=1.5) as process:
        assert process.wait(60.0) == 0
        outcome = process.outcome
    assert outcome is not None
    assert outcome.sealed
    assert (outcome.gaps, outcome.lost_records, outcome.reason) == (0, 0, "1.5 s recorded")
    assert_unbroken(out, at_least=2900)
    with open_run(out) as run:
        assert run.complete
        assert run.header.origin == "recorded"
        assert run.gaps() == []
        assert run.channels["pull"].time_s()[0] == pytest.approx(0.0, abs=0.05)
        kinds = {event.kind for event in run.events()}
    assert {"clock_anchor", "health", "stop"} <= kinds
    left = {p.name for p in tmp_path.iterdir()}
    assert left == {"run.h5", "car.toml", "trip.toml", "cell.json", "runtime"}
    assert list(runtime_folder().iterdir()) == []


def test_marks_are_acknowledged_and_in_the_run(tmp_path: Path, sheets: Sheets) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out) as process:
        session = process.session
        keyed = time.monotonic_ns()
        mark = session.mark("milepost", keyed, "12", note="leaning")
        assert mark.t_s == pytest.approx(session.run_time_s(keyed), abs=1e-6)
        second = session.revise(mark.revised(value="13"))
        wrong = session.mark("station", time.monotonic_ns())
        gone = session.revise(wrong.revised(withdrawn=True))
        assert [m.mark_id for m in session.marks()][1:2] == [second.mark_id]
        assert session.marks(since=3) == [gone]
        with pytest.raises(RefusedError, match="a milepost number"):
            session.mark("milepost", time.monotonic_ns(), "twelve")
        with pytest.raises(RefusedError, match="in the future"):
            session.mark("milepost", time.monotonic_ns() + 10**10)
        assert session.status().marks == 4
        assert process.stop() == 0
    with open_run(out) as run:
        assert [m.value for m in run.marks()] == ["13"]
        assert len(run.revisions()) == 4


def test_a_reader_of_the_ring_has_records_on_run_time(tmp_path: Path, sheets: Sheets) -> None:
    with start_recording(*sheets, tmp_path / "run.h5") as process:
        session = process.session
        readers = session.readers()
        try:
            wait_for(lambda: session.status().devices["drawbar"].records > 500)
            blocks = readers["drawbar"].poll()
            joined = np.concatenate([block.records["ch1"] for block in blocks])
            assert np.array_equal(joined, 1000 + np.arange(len(joined)))
            now_s = session.run_time_s(time.monotonic_ns())
            assert now_s - 0.5 < float(blocks[-1].time_s()[-1]) < now_s
            times = np.concatenate([block.time_s() for block in blocks])
            assert np.all(np.diff(times) > 0.0)
        finally:
            for reader in readers.values():
                reader.close()
        status = session.status()
        assert status.state is RunState.RECORDING
        assert status.dropped_records == 0
        assert status.disk_free_bytes > 0


def test_a_lost_link_is_a_gap_and_mends_by_itself(
    tmp_path: Path, sheets: Sheets, cell: FakeCell
) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out) as process:
        session = process.session

        def drawbar() -> DeviceStatus:
            return session.status().devices["drawbar"]

        wait_for(lambda: drawbar().records > 200)
        cell.refuse.set()
        wait_for(lambda: drawbar().state is DeviceState.LOST)
        assert "link lost" in drawbar().last_fault
        cell.refuse.clear()
        before = drawbar().records
        wait_for(lambda: drawbar().records > before + 200)
        process.stop()
    with open_run(out) as run:
        (gap, *others) = run.gaps()
        assert {g.cause for g in (gap, *others)} >= {"link lost"}
        assert gap.t_end_s > gap.t_start_s > 0.0
        taken = np.asarray(run.channels["pull"].counts())
        times = run.channels["pull"].time_s()
        before_gap = int(taken[gap.before_record - 1])
        after_gap = int(taken[gap.before_record])
        lost_s = times[gap.before_record] - times[gap.before_record - 1]
        # Each sample is half a millisecond: the hole in counts is the hole in time.
        assert lost_s == pytest.approx((after_gap - before_gap) * 0.0005, abs=0.05)


def test_it_ends_by_itself_when_the_feed_does_and_has_all_of_it(
    tmp_path: Path, sheets: Sheets, cell: FakeCell
) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, until_quiet_s=0.7) as process:
        wait_for(lambda: process.session.status().devices["drawbar"].records > 500)
        cell.end()
        assert process.wait(60.0) == 0
        assert process.outcome is not None
        assert process.outcome.gaps == 0
    assert len(counts(out)) == cell.sent
    assert_unbroken(out, at_least=500)


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_cleanly(tmp_path: Path, sheets: Sheets, number: int) -> None:
    out = tmp_path / "run.h5"
    # A shell that runs its jobs in the background has them ignore the interrupt, and the
    # recording rightly keeps to that: here it is to be heard.
    before = signal.signal(number, signal.SIG_DFL)
    try:
        process = start_recording(*sheets, out)
    finally:
        signal.signal(number, before)
    with process:
        os.kill(process.pid, number)
        assert process.wait(60.0) == 0
        assert process.outcome is not None
        assert signal.Signals(number).name in process.outcome.reason
    with open_run(out) as run:
        assert run.complete


def test_a_client_may_stop_it(tmp_path: Path, sheets: Sheets) -> None:
    with start_recording(*sheets, tmp_path / "run.h5") as process:
        session = attach(tmp_path / "run.h5")
        with session:
            session.stop("enough")
            assert process.wait(60.0) == 0
            with pytest.raises(SessionLostError):
                session.status()
            with pytest.raises(SessionError):
                session.mark("remark", time.monotonic_ns())
            assert session.lost
            with pytest.raises(RingError):
                session.readers()
        assert process.outcome is not None
        assert process.outcome.reason == "enough"


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
def test_a_frozen_window_loses_not_one_sample(tmp_path: Path, sheets: Sheets) -> None:
    """A client is stopped in the middle of its work, as a hung window would be."""
    out = tmp_path / "run.h5"
    words = (
        "import sys\n"
        "from recorder.acquisition.control.client import attach\n"
        "session = attach(sys.argv[1])\n"
        "readers = session.readers()\n"
        "print('up', flush=True)\n"
        "while True:\n"
        "    session.status()\n"
        "    [r.poll() for r in readers.values()]\n"
    )
    home = str(Path(recorder.__file__).parents[1])
    with start_recording(*sheets, out, ring_bytes=65536) as process:
        window = subprocess.Popen(
            [sys.executable, "-c", words, str(process.session_path)],
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": home},
        )
        with window:
            assert window.stdout is not None
            assert window.stdout.readline() == b"up\n"
            window.send_signal(signal.SIGSTOP)

            def records() -> int:
                return process.session.status().devices["drawbar"].records

            here = records()
            # More than the small ring holds.
            wait_for(lambda: records() > here + 6_000, 30.0)
            assert process.session.status().dropped_records == 0
            window.kill()
            window.wait()
            window.stdout.close()
        assert process.stop() == 0
    assert_unbroken(out, at_least=6_000)


def test_the_death_of_the_filer_costs_nothing(tmp_path: Path, sheets: Sheets) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out) as process:
        session = process.session

        def filers() -> list[psutil.Process]:
            return [
                child
                for child in psutil.Process(process.pid).children()
                if any("recorder.keeping.filer" in word for word in child.cmdline())
            ]

        wait_for(lambda: len(filers()) == 1 and out.exists())
        (first,) = filers()
        first.kill()
        wait_for(lambda: session.status().filer is FilerState.RESTARTED)
        assert any("started again" in words for words in session.status().warnings)
        wait_for(lambda: [f.pid for f in filers()] not in ([], [first.pid]))
        filers()[0].kill()
        wait_for(lambda: session.status().filer is FilerState.DEAD)
        records = session.status().devices["drawbar"].records
        wait_for(lambda: session.status().devices["drawbar"].records > records + 500)
        assert process.stop() == 0
    assert_unbroken(out, at_least=1000)


def test_the_zero_is_taken_before_the_run(
    tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]
) -> None:
    sheets = make_sheets(tmp_path, cell.port, zero_seconds=0.5)
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, seconds=0.6) as process:
        assert process.wait(60.0) == 0
        reports = process.reports
    assert any("zero check" in r.text for r in reports if isinstance(r, CheckReport))
    with open_run(out) as run:
        (zero,) = run.zeros()
        assert (zero.t_s, zero.channel, zero.when) == (0.0, "pull", ZeroTime.BEFORE)
        assert 900 <= zero.n <= 1010
        # It counts up by one a sample: the zero's mean lies half its length before the run.
        first = int(run.channels["pull"].counts()[0])
        assert zero.counts == pytest.approx(first - 500, abs=30)
        assert zero.accepted
        channel = run.channels["pull"]
        assert channel.time_s()[0] >= 0.0
        expected_kN = (channel.counts() - zero.counts) * 1e-4
        assert channel.values() == pytest.approx(expected_kN, abs=1e-5)


def test_zero_and_shunt_checks_during_the_run(
    tmp_path: Path,
    cell: FakeCell,
    make_sheets: Callable[..., Sheets],
    make_certificate: Callable[..., Any],
) -> None:
    shunt = ShuntExpectation(deflection_counts=50_000.0, limit_counts=100.0)
    certificate = make_certificate(shunt=shunt, zero_limit_counts=10.0)
    sheets = make_sheets(tmp_path, cell.port, certificate=certificate)
    with start_recording(*sheets, tmp_path / "run.h5") as process:
        session = process.session
        with pytest.raises(RefusedError, match="no force channel"):
            session.take_zero(0.2, channel="push")
        with pytest.raises(RefusedError, match=r"0\.1 to 600 seconds"):
            session.take_zero(0.01)
        (zero,) = session.take_zero(0.3)
        assert zero.accepted
        assert "OUT OF LIMITS" in zero.reason
        (held,) = session.status().zeros
        assert (held.channel, held.t_s, held.counts) == ("pull", zero.t_s, zero.counts)
        assert any("OUT OF LIMITS" in words for words in session.status().warnings)
        with pytest.raises(RefusedError, match="step open"):
            session.shunt_check(ShuntStep.SHUNTED, 0.2)
        opened = session.shunt_check(ShuntStep.OPEN, 0.2)
        assert (opened.channel, opened.passed) == ("pull", None)
        check = session.shunt_check(ShuntStep.SHUNTED, 0.2, channel="pull")
        assert check.passed is False
        assert check.open_counts == opened.open_counts
        assert check.check is not None
        assert check.check.counts == pytest.approx(check.deflection_counts)
        assert any("shunt check OUT OF LIMITS" in w for w in session.status().warnings)
        kinds = [event.kind for event in session.events()]
        assert kinds.count("zero") == 1
        assert kinds.count("shunt_check") == 2
        assert process.stop() == 0


def test_a_zero_that_the_sheet_knows(
    tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]
) -> None:
    car, trip = make_sheets(tmp_path, cell.port, zero_seconds=5.0)
    text = car.read_text("utf-8")
    car.write_text(text.replace("quantity =", "zero_counts = -250\nquantity ="), "utf-8")
    out = tmp_path / "run.h5"
    with start_recording(car, trip, out, seconds=0.3) as process:
        assert process.wait(60.0) == 0
    assert_unbroken(out, at_least=500)
    with open_run(out) as run:
        (zero,) = run.zeros()
        assert (zero.counts, zero.when) == (-250.0, ZeroTime.SHEET)
        assert math.isnan(zero.u_counts)
        assert run.channels["pull"].values()[0] == pytest.approx(250e-4)


class TestRefused:
    """What cannot begin is told in one line, and leaves nothing behind."""

    def refused(self, sheets: Sheets, out: Path, **options: Any) -> str:
        here = {p.name for p in out.parent.iterdir()}
        with pytest.raises(RecordingError) as caught:
            start_recording(*sheets, out, **options)
        left = {p.name for p in out.parent.iterdir()} - {"runtime"}
        assert left == here - {"runtime"}
        assert "\n" not in str(caught.value)
        return str(caught.value)

    def test_a_port_that_is_not_there(
        self, tmp_path: Path, make_sheets: Callable[..., Sheets]
    ) -> None:
        sheets = make_sheets(tmp_path, "/dev/none-such")
        words = self.refused(sheets, tmp_path / "run.h5")
        assert words.startswith("drawbar: ")
        assert "/dev/none-such" in words

    def test_nobody_answers(
        self, tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]
    ) -> None:
        sheets = make_sheets(tmp_path, cell.port)
        cell.end()
        assert "nothing answers" in self.refused(sheets, tmp_path / "run.h5")

    @pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals")
    def test_a_port_in_use(self, tmp_path: Path, make_sheets: Callable[..., Sheets]) -> None:
        import serial

        main, other = os.openpty()
        try:
            path = os.ttyname(other)
            with serial.Serial(path, exclusive=True):
                words = self.refused(make_sheets(tmp_path, path), tmp_path / "run.h5")
            assert "in use" in words
        finally:
            os.close(main)
            os.close(other)

    def test_a_run_file_that_is_there(self, tmp_path: Path, sheets: Sheets) -> None:
        out = tmp_path / "run.h5"
        out.write_bytes(b"precious")
        assert "never overwritten" in self.refused(sheets, out)
        assert out.read_bytes() == b"precious"

    def test_an_unfinished_journal(self, tmp_path: Path, sheets: Sheets) -> None:
        out = tmp_path / "run.h5"
        journal = tmp_path / "run.h5.journal"
        journal.write_bytes(b"precious")
        assert "testcar recover" in self.refused(sheets, out)
        assert journal.read_bytes() == b"precious"

    def test_a_folder_that_is_not_there(self, tmp_path: Path, sheets: Sheets) -> None:
        with pytest.raises(RecordingError, match="no such folder"):
            start_recording(*sheets, tmp_path / "none" / "run.h5")

    def test_no_room_for_the_planned_hours(self, tmp_path: Path, sheets: Sheets) -> None:
        car, trip = sheets
        text = car.read_text("utf-8")
        car.write_text(text.replace("[recording]", "[recording]\nstop_free_MiB = 1e6"), "utf-8")
        trip.write_text(trip.read_text("utf-8").replace("= 0.1", "= 240"), "utf-8")
        expected = "disk full before the end"
        if psutil.disk_usage(str(tmp_path)).free > 1.5e12:
            pytest.skip("too much room here")
        assert expected in self.refused(sheets, tmp_path / "run.h5")

    def test_a_place_somebody_records_to(self, tmp_path: Path, sheets: Sheets) -> None:
        out = tmp_path / "run.h5"
        with (
            start_recording(*sheets, out),
            pytest.raises(RecordingError, match="another process is recording to it"),
        ):
            start_recording(*sheets, out)

    @pytest.mark.skipif(os.name == "nt" or os.getuid() == 0, reason="root may do anything")
    def test_a_folder_one_may_not_write(self, tmp_path: Path, sheets: Sheets) -> None:
        folder = tmp_path / "shut"
        folder.mkdir(mode=0o500)
        with pytest.raises(RecordingError, match="denied"):
            start_recording(*sheets, folder / "run.h5")


def test_two_recordings_side_by_side(
    tmp_path: Path,
    sheets: Sheets,
    make_cell: Callable[[], FakeCell],
    make_sheets: Callable[..., Sheets],
) -> None:
    """Names in shared memory, sockets and sessions do not meet."""
    (tmp_path / "b").mkdir()
    other = make_sheets(tmp_path / "b", make_cell().port)
    one, two = tmp_path / "a.h5", tmp_path / "b.h5"
    with start_recording(*sheets, one) as first, start_recording(*other, two) as second:
        with pytest.raises(SessionError, match="2 recordings are running"):
            attach()
        with attach(two) as session:
            assert session.header.run_id == second.session.header.run_id
            session.stop()
        assert second.wait(60.0) == 0
        with attach() as session:
            assert session.header.run_id == first.session.header.run_id
        assert first.stop() == 0


def test_a_zero_at_the_end_and_a_mark_meanwhile(tmp_path: Path, sheets: Sheets) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, seconds=0.3, zero_after=1.5) as process:
        session = process.session
        assert process.wait_for(lambda report: isinstance(report, ZeroBegins), 20.0)
        mark = session.mark("remark", time.monotonic_ns(), "standing")
        assert mark.t_s >= 0.3
        assert process.wait(60.0) == 0
    with open_run(out) as run:
        (zero,) = run.zeros()
        assert zero.when is ZeroTime.AFTER
        assert zero.t_s == pytest.approx(0.3 + 0.75, abs=0.3)
        assert [m.value for m in run.marks()] == ["standing"]
