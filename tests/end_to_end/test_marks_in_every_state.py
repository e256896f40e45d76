"""Marks are taken from attach to the seal, whatever the recording is doing meanwhile."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder.acquisition.control.client import attach
from recorder.acquisition.process.launch import RecordingProcess
from recorder.acquisition.process.reports import Started, ZeroBegins
from recorder.acquisition.process.settings import RecordingSettings
from recorder.run.states import RunState
from recorder.run_file.hdf5.reader import open_run
from recorder.window.model.crew.mark_list import EntryState
from recorder.window.model.live.live_run import LiveRun
from simulated_feeds.serving.serving import start_feed
from tests.end_to_end.conftest import command

pytestmark = pytest.mark.slow

ZERO_S = 6.0


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[RecordingProcess]:
    """A recording that has begun its zero of six seconds."""
    with start_feed(tmp_path / "feed", seed=5, seconds=60.0) as feed:
        settings = RecordingSettings(
            car_sheet=feed.sheets["car"],
            trip_sheet=feed.sheets["trip"],
            out=tmp_path / "run.h5",
            zero_seconds=ZERO_S,
        )
        with RecordingProcess(settings) as process:
            assert process.wait_for(lambda report: isinstance(report, ZeroBegins), 60.0)
            yield process


def test_a_window_that_attaches_during_the_zero_takes_every_key(
    tmp_path: Path, recording: RecordingProcess
) -> None:
    session = attach(recording.session_path)
    run = LiveRun(session)
    keyed: list[int] = []

    def state() -> RunState | None:
        # The hour of the next look at the state is past: this one looks.
        run.control.step(now_s=time.monotonic() + 60.0 * (1 + len(keyed)))
        run.tick()
        return run.state

    def press(key: str) -> None:
        keyed.append(time.monotonic_ns())
        entry = run.marks.press(key, keyed[-1])
        assert entry is not None, run.message
        run.control.step()
        run.tick()
        assert entry.state is EntryState.TAKEN, entry.problem

    try:
        assert state() is RunState.ZERO
        press("S")
        press("R")
        assert recording.wait_for(lambda report: isinstance(report, Started), 60.0)
        assert state() is RunState.RECORDING
        press("S")
        run.stop_recording()
        run.control.step()
        press("R")
    finally:
        run.close()
    assert recording.wait(60.0) == 0
    started_ns = session.header.started_monotonic_ns
    with open_run(tmp_path / "run.h5") as kept:
        assert [m.kind for m in kept.marks()] == ["station", "remark", "station", "remark"]
        assert [m.t_s for m in kept.marks()] == pytest.approx(
            [(at - started_ns) / 1e9 for at in keyed], abs=1e-6
        )
        assert kept.marks()[0].t_s < 0.0 < kept.marks()[2].t_s
    out = tmp_path / "run.h5"
    for words in (("verify", out), ("info", out), ("report", out, "--out", tmp_path / "rep")):
        told = command(*words)
        assert told.returncode == 0, told.stderr
