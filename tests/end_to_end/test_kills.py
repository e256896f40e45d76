"""The recording process and the window killed at random instants: nothing kept is lost."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.acquisition.control.exchanges import RequestRefusedError
from recorder.acquisition.control.session_files import SessionError
from recorder.acquisition.process.launch import start_recording
from recorder.machine.child_process import child_environment, python_command
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.serving.serving import start_feed
from tests.end_to_end.conftest import command, one_line

if TYPE_CHECKING:
    from recorder.acquisition.control.client import LiveSession

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="signals of POSIX"),
]

KILLS = 5


def recovered(journal: Path, run: Path) -> Path:
    """The run file that recovery makes of a journal, verified."""
    recovery = command("recover", journal, "--out", run)
    assert recovery.returncode == 0, recovery.stderr
    assert command("verify", run).returncode == 0
    return run


class Keying:
    """A crew that keys one mark after the other, each as soon as the last is acknowledged."""

    def __init__(self, session: LiveSession, *, until: int) -> None:
        self.acknowledged: list[str] = []
        self.reached = threading.Event()
        """Set when so many are acknowledged and a second of samples has come; keying goes on."""
        self._session = session
        self._until = until
        self._enough = threading.Event()
        self._thread = threading.Thread(target=self._key, name="crew")
        self._thread.start()

    def _key(self) -> None:
        with contextlib.suppress(SessionError, RequestRefusedError, OSError):
            while not self._enough.is_set():
                number = len(self.acknowledged)
                mark = self._session.mark("remark", time.monotonic_ns(), f"{number}")
                self.acknowledged.append(mark.mark_id)
                if number + 1 >= self._until and self._samples_have_come():
                    self.reached.set()

    def _samples_have_come(self) -> bool:
        """A second of them at 2 kHz: more than a kill may cost. Marks are taken before any."""
        return self._session.status().devices["drawbar"].records > 2000

    def end(self) -> None:
        self._enough.set()
        self._thread.join(20.0)
        assert not self._thread.is_alive()


@pytest.mark.parametrize("seed", range(KILLS))
def test_killed_at_any_instant(tmp_path: Path, seed: int) -> None:
    """At most 0.5 s of samples before the kill, and no acknowledged mark, is lost."""
    out = tmp_path / "run.h5"
    with start_feed(tmp_path / "feed", seed=seed, seconds=60.0) as feed:
        recording = start_recording(
            feed.sheets["car"], feed.sheets["trip"], out, zero_seconds=0.0
        )
        session = recording.session
        crew = Keying(session, until=random.Random(seed).randint(20, 400))
        assert crew.reached.wait(60.0)
        os.kill(recording.pid, signal.SIGKILL)
        killed_s = session.run_time_s(time.monotonic_ns())
        crew.end()
        recording.kill()
    again = command(
        "record", feed.sheets["car"], feed.sheets["trip"], "--out", out, "--headless"
    )
    assert again.returncode == 2
    assert "recover" in one_line(again)
    with open_run(recovered(session.journal_path, tmp_path / "back.h5")) as run:
        end_s = run.channels["pull"].time_s()[-1]
        assert killed_s - end_s <= 0.5
        assert set(crew.acknowledged) <= {m.mark_id for m in run.marks()}


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_dead_or_frozen_window_loses_nothing(tmp_path: Path, how: signal.Signals) -> None:
    out = tmp_path / "run.h5"
    with start_feed(tmp_path / "feed", seed=3, seconds=60.0) as feed:
        recording = start_recording(
            feed.sheets["car"], feed.sheets["trip"], out, seconds=9.0, zero_seconds=0.0
        )
        # Its log of frames is a pipe: the window is killed as it has painted some.
        frames = tmp_path / "frames"
        os.mkfifo(frames)
        window = subprocess.Popen(
            python_command(
                "recorder.window.qt.frame.app",
                *("--seconds", "60", "--session", recording.session_path, "--measure", frames),
            ),
            env=child_environment(QT_QPA_PLATFORM="offscreen"),
        )
        with frames.open("rb") as log:
            for _ in range(30):
                assert log.readline()
            window.send_signal(how)
        assert recording.wait(60.0) == 0
        window.kill()
        window.wait()
    with open_run(out) as run:
        ticks = run.devices["drawbar"].read("tick", 0, None)
        assert set(np.diff(ticks.astype(np.int64)).tolist()) == {500}
        assert run.gaps() == []
        time_s = run.devices["drawbar"].time_s()
        # From the feed's first moment (it begins when all ports are open) to the stop.
        assert time_s[0] < 1.5
        assert time_s[-1] > 8.9
        assert len(ticks) == round((time_s[-1] - time_s[0]) * 2000) + 1
