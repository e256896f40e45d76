"""Marks are taken from attach to the seal, whatever the recording is doing meanwhile."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder.acquisition.control.client import attach
from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process.launch import RecordingProcess
from recorder.acquisition.process.reports import Started, ZeroBegins
from recorder.run.parts.states import RunState
from recorder.run_file.hdf5.reader import open_run
from recorder.window.model.crew.mark_list import EntryState
from recorder.window.model.live.live_run import LiveRun
from simulated_feeds.serving.serving import start_feed
from tests.end_to_end.conftest import command
from tests.recorder.listener import Listener

pytestmark = pytest.mark.slow

ZERO_S = 6.0


@pytest.fixture
def listener() -> Listener:
    return Listener()


@pytest.fixture
def recording(tmp_path: Path, listener: Listener) -> Iterator[RecordingProcess]:
    """A recording that has begun its zero of six seconds."""
    with start_feed(tmp_path / "feed", seed=5, seconds=60.0) as feed:
        settings = RecordingSettings(
            car_sheet=feed.sheets["car"],
            trip_sheet=feed.sheets["trip"],
            out=tmp_path / "run.h5",
            zero_seconds=ZERO_S,
            # Holds the end up long enough for a key after the stop was asked for.
            zero_after=2.0,
        )
        with RecordingProcess(settings, listener) as process:
            listener.wait(ZeroBegins)
            yield process


class Crew:
    """At a window that has just attached; its worker is stepped by hand, nothing is waited for."""

    def __init__(self, recording: RecordingProcess) -> None:
        self.run = LiveRun(attach(recording.session_path))
        self.keyed: list[int] = []
        self._looks = 0

    def state(self) -> RunState | None:
        """What the lamp shows, after a look at the recording."""
        self._looks += 1
        # The hour of the worker's next look is past each time.
        self.run.control.step(now_s=time.monotonic() + 60.0 * self._looks)
        self.run.tick()
        return self.run.state

    def press(self, key: str) -> None:
        """Key a mark, and see it taken."""
        self.keyed.append(time.monotonic_ns())
        entry = self.run.marks.press(key, self.keyed[-1])
        assert entry is not None, self.run.marks.hint
        self.run.control.step()
        self.run.tick()
        assert entry.state is EntryState.TAKEN, entry.problem


def test_a_window_that_attaches_during_the_zero_takes_every_key(
    tmp_path: Path, recording: RecordingProcess, listener: Listener
) -> None:
    crew = Crew(recording)
    try:
        assert crew.state() is RunState.ZERO
        crew.press("S")
        crew.press("R")
        listener.wait(Started)
        assert crew.state() is RunState.RECORDING
        crew.press("S")
        crew.run.stop_recording()
        crew.press("R")
    finally:
        crew.run.close()
    assert recording.wait(60.0) == 0
    run = tmp_path / "run.h5"
    with open_run(run) as kept:
        marks = kept.marks()
        started_ns = kept.header.started_monotonic_ns
    assert [m.kind for m in marks] == ["station", "remark", "station", "remark"]
    keyed_s = [(at - started_ns) / 1e9 for at in crew.keyed]
    assert [m.t_s for m in marks] == pytest.approx(keyed_s, abs=1e-6)
    assert marks[1].t_s < 0.0 < marks[2].t_s
    for words in (("verify", run), ("info", run), ("report", run, "--out", tmp_path / "rep")):
        done = command(*words)
        assert done.returncode == 0, done.stderr
