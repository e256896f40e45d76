"""The recording process and the window killed at random instants: nothing kept is lost."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from recorder.acquisition.control.exchanges import RefusedError
from recorder.acquisition.control.session_files import SessionError
from recorder.acquisition.process.launch import start_recording
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.serving.serving import start_feed
from tests.end_to_end.conftest import command, one_line

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


@pytest.mark.parametrize("seed", range(KILLS))
def test_killed_at_any_instant(tmp_path: Path, seed: int) -> None:
    """At most 0.5 s of samples before the kill, and no acknowledged mark, is lost."""
    chance = random.Random(seed)
    acknowledged: list[str] = []
    enough = threading.Event()
    out = tmp_path / "run.h5"
    with start_feed(tmp_path / "feed", seed=seed, seconds=60.0) as feed:
        recording = start_recording(
            feed.sheets["car"], feed.sheets["trip"], out, zero_seconds=0.0
        )
        session = recording.session
        started_ns = session.header.started_monotonic_ns
        journal = session.journal_path

        def key() -> None:
            with contextlib.suppress(SessionError, RefusedError, OSError):
                while not enough.wait(0.01):
                    mark = session.mark("remark", time.monotonic_ns(), f"{len(acknowledged)}")
                    acknowledged.append(mark.mark_id)

        crew = threading.Thread(target=key)
        crew.start()
        # The instant is chosen by chance: there is no event to wait for.
        threading.Event().wait(chance.uniform(0.8, 2.5))
        os.kill(recording.pid, signal.SIGKILL)
        killed_s = (time.monotonic_ns() - started_ns) / 1e9
        enough.set()
        crew.join(20.0)
        assert not crew.is_alive()
        recording.kill()
    again = command(
        "record", feed.sheets["car"], feed.sheets["trip"], "--out", out, "--headless"
    )
    assert again.returncode == 2
    assert "recover" in one_line(again)
    with open_run(recovered(journal, tmp_path / "back.h5")) as run:
        end_s = run.channels["pull"].time_s()[-1]
        assert killed_s - end_s <= 0.5
        kept = {m.mark_id for m in run.marks()}
        assert set(acknowledged) <= kept
        assert len(acknowledged) > 5


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_dead_or_frozen_window_loses_nothing(tmp_path: Path, how: signal.Signals) -> None:
    out = tmp_path / "run.h5"
    with start_feed(tmp_path / "feed", seed=3, seconds=60.0) as feed:
        recording = start_recording(
            feed.sheets["car"], feed.sheets["trip"], out, seconds=9.0, zero_seconds=0.0
        )
        window = subprocess.Popen(
            [
                *(sys.executable, "-m", "recorder.window.qt.frame.app", "--seconds", "60"),
                *("--session", str(recording.session_path)),
            ],
            env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
        )
        threading.Event().wait(3.5)
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
