"""Recordings in processes of their own: nothing lost, gaps told, every end a clean one."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pytest

from calibration.certificates.private_key import make_private_key
from calibration.certificates.signature import key_of
from recorder.acquisition.control.client import SessionLostError, attach
from recorder.acquisition.control.exchanges import RequestRefusedError
from recorder.acquisition.control.session_files import SessionError, session_folder
from recorder.acquisition.process.launch import RecordingProcess, start_recording
from recorder.acquisition.ring.ring import RingError
from recorder.machine.child_process import child_environment, python_command
from recorder.run.parts.states import DeviceState, FilerState, RunState
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.signature import SignedAt, Standing, signature_of
from recorder.run_file.seal.verify import verify_run
from tests.recorder.acquisition.process.conftest import Sheets, assert_unbroken, counts

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell
    from tests.recorder.listener import Listener

pytestmark = pytest.mark.slow


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
    assert list(session_folder().iterdir()) == []


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
        with pytest.raises(RequestRefusedError, match="a milepost number"):
            session.mark("milepost", time.monotonic_ns(), "twelve")
        with pytest.raises(RequestRefusedError, match="in the future"):
            session.mark("milepost", time.monotonic_ns() + 10**10)
        assert session.status().marks == 4
        assert process.stop() == 0
    with open_run(out) as run:
        assert [m.value for m in run.marks()] == ["13"]
        assert len(run.revisions()) == 4


def test_a_reader_of_the_ring_has_records_on_run_time(
    tmp_path: Path, sheets: Sheets, listener: Listener
) -> None:
    with start_recording(*sheets, tmp_path / "run.h5", report=listener) as process:
        session = process.session
        readers = session.readers()
        try:
            listener.status(lambda s: s.devices["drawbar"].records > 500)
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
    tmp_path: Path, sheets: Sheets, cell: FakeCell, listener: Listener
) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, report=listener) as process:
        listener.status(lambda s: s.devices["drawbar"].records > 200)
        cell.refuse.set()
        lost = listener.status(lambda s: s.devices["drawbar"].state is DeviceState.LOST)
        assert "link lost" in lost.devices["drawbar"].last_fault
        cell.refuse.clear()
        before = lost.devices["drawbar"].records
        listener.status(lambda s: s.devices["drawbar"].records > before + 200)
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
    tmp_path: Path, sheets: Sheets, cell: FakeCell, listener: Listener
) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, until_quiet_s=0.7, report=listener) as process:
        listener.status(lambda s: s.devices["drawbar"].records > 500)
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


HUNG_WINDOW = (
    "import sys\n"
    "from recorder.acquisition.control.client import attach\n"
    "session = attach(sys.argv[1])\n"
    "readers = session.readers()\n"
    "print('up', flush=True)\n"
    "while True:\n"
    "    session.status()\n"
    "    [r.poll() for r in readers.values()]\n"
)


def filer_of(process: RecordingProcess) -> psutil.Process:
    """The process that writes the run file."""
    children = psutil.Process(process.pid).children()
    (filer,) = [child for child in children if "recorder.keeping.filer" in child.cmdline()]
    return filer


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
def test_a_frozen_window_and_a_frozen_filer_lose_not_one_sample(
    tmp_path: Path, sheets: Sheets, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both are stopped in the middle of their work, as on a machine that has no time for them;
    the filer has less right to it than who records."""
    out = tmp_path / "run.h5"
    (tmp_path / "modules").mkdir()
    (tmp_path / "modules" / "hung_window.py").write_text(HUNG_WINDOW, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "modules"))
    with start_recording(*sheets, out, ring_bytes=65536, report=listener) as process:
        window = subprocess.Popen(
            python_command("hung_window", process.session_path),
            stdout=subprocess.PIPE,
            env=child_environment(),
        )
        with window:
            assert window.stdout is not None
            assert window.stdout.readline() == b"up\n"
            window.send_signal(signal.SIGSTOP)
            listener.status(lambda s: s.filed.get("drawbar", 0) > 0)
            filer = filer_of(process)
            assert filer.nice() > psutil.Process(process.pid).nice()
            filer.suspend()
            here = process.session.status().devices["drawbar"].records
            # More than the small ring holds.
            status = listener.status(lambda s: s.devices["drawbar"].records > here + 6_000)
            assert status.dropped_records == 0
            assert not status.keeping.stalled
            assert process.session.mark("milepost", time.monotonic_ns(), "12").value == "12"
            filer.resume()
            window.kill()
            window.wait()
            window.stdout.close()
        assert process.stop() == 0
    assert_unbroken(out, at_least=6_000)


def test_nothing_listens_beyond_this_machine(
    tmp_path: Path, sheets: Sheets, listener: Listener
) -> None:
    with start_recording(*sheets, tmp_path / "run.h5", report=listener) as process:
        listener.status(lambda s: s.filed.get("drawbar", 0) > 0)
        recording = psutil.Process(process.pid)
        family = [recording, *recording.children(recursive=True)]
        held = [c for one in family for c in one.net_connections("inet")]
        assert held, "the cell's connection is seen"
        open_to = {c.laddr.ip for c in held if c.status == psutil.CONN_LISTEN}
        assert open_to <= {"127.0.0.1", "::1"}
        assert process.stop() == 0


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
def test_a_frozen_recording_loses_nothing_and_dates_no_sample_after_its_receipt(
    tmp_path: Path, sheets: Sheets, cell: FakeCell, listener: Listener
) -> None:
    """What comes meanwhile waits in the connection, as long as that holds it."""
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, report=listener) as process:
        listener.status(lambda s: s.devices["drawbar"].records > 2_000)
        frozen = psutil.Process(process.pid)
        frozen.suspend()
        cell.wait_for(6_000)
        frozen.resume()
        here = process.session.status().devices["drawbar"].records
        listener.status(lambda s: s.devices["drawbar"].records > here + 8_000)
        assert process.stop() == 0
    assert_unbroken(out, at_least=10_000)
    with open_run(out) as run:
        device = run.devices["drawbar"]
        blocks, times = device.blocks(), run.channels["pull"].time_s()
        assert run.gaps() == []
    last = (blocks["first_record"] + blocks["n"]).astype(np.int64) - 1
    # To the microsecond: the line through the ticks is rounded to floating point.
    assert np.max(times[last] - blocks["received_s"]) <= 1e-6


def test_the_death_of_the_filer_costs_nothing(
    tmp_path: Path, sheets: Sheets, listener: Listener
) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, report=listener) as process:
        listener.status(lambda s: s.filed.get("drawbar", 0) > 0)
        filer_of(process).kill()
        again = listener.status(lambda s: s.filer is FilerState.RESTARTED)
        assert any("started again" in text for text in again.warnings)
        filer_of(process).kill()
        dead = listener.status(
            lambda s: any("again from the journal in" in w for w in s.warnings)
        )
        records = dead.devices["drawbar"].records
        listener.status(lambda s: s.devices["drawbar"].records > records + 500)
        assert process.stop() == 0
    assert_unbroken(out, at_least=1000)


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


@pytest.mark.skipif(os.name != "posix", reason="rights as POSIX has them")
@pytest.mark.parametrize("gone", [False, True], ids=["there", "gone"])
def test_a_run_is_signed_at_its_stop_or_sealed_all_the_same(
    gone: bool, tmp_path: Path, sheets: Sheets
) -> None:
    car, _ = sheets
    key, pem = make_private_key(None)
    (tmp_path / "car.key").write_bytes(pem)
    (tmp_path / "car.key").chmod(0o600)
    line = '[recording]\nsigning_key = "car.key"'
    car.write_text(car.read_text("utf-8").replace("[recording]", line, 1), "utf-8")
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, seconds=1.0) as process:
        if gone:
            (tmp_path / "car.key").unlink()
        code = process.wait(60.0)
        outcome = process.outcome
    assert outcome is not None
    assert outcome.sealed
    assert verify_run(out) == []
    with open_run(out) as run:
        signed = signature_of(out, run.header.run_id)
    if gone:
        assert (code, signed.standing) == (1, Standing.NONE)
        assert "the run is sealed and NOT SIGNED: its key could not be used" in outcome.unsigned
    else:
        assert (code, outcome.unsigned) == (0, "")
        assert (signed.standing, signed.signed_at) == (Standing.HOLDS, SignedAt.STOP)
        assert signed.fingerprint == key_of(key.public_key()).fingerprint
