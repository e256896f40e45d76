"""Killed at any instant: at most half a second of samples lost, and no acknowledged mark."""

from __future__ import annotations

import os
import random
import select
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pytest

from recorder.acquisition.control.client import LiveSession, attach
from recorder.acquisition.control.session_files import (
    SessionError,
    session_folder,
    sessions,
    sweep,
)
from recorder.acquisition.preparation.settings import RecordingError
from recorder.acquisition.process.launch import RecordingProcess, start_recording
from recorder.acquisition.process.reports import Swept
from recorder.keeping.seal import recover
from recorder.machine.shared_memory import SHM_FOLDER
from recorder.run_file.hdf5.reader import open_run

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell

pytestmark = pytest.mark.slow

KINDS = ("milepost", "signal", "station", "remark")
MOST_LOST_S = 0.5


class Crew(threading.Thread):
    """Keys marks as fast as they are acknowledged, and remembers which were."""

    def __init__(self, session: LiveSession) -> None:
        super().__init__(name="crew")
        self.acknowledged: dict[tuple[str, int], str] = {}
        self.stopped = threading.Event()
        self._session = session

    def run(self) -> None:
        number = 0
        try:
            while not self.stopped.is_set():
                number += 1
                kind = KINDS[number % len(KINDS)]
                mark = self._session.mark(kind, time.monotonic_ns(), str(number))
                self.acknowledged[mark.mark_id, 0] = mark.value
                if number % 5 == 0:
                    fixed = self._session.revise(mark.revised(note="looked again"))
                    self.acknowledged[mark.mark_id, 1] = fixed.value
                self.stopped.wait(0.005)
        except SessionError:
            return  # killed: what was not acknowledged may be lost


def kill_with_children_noted(process: RecordingProcess) -> tuple[float, list[psutil.Process]]:
    """Kill as a crash would; returns the instant and the children left to end by themselves."""
    children = psutil.Process(process.pid).children(recursive=True)
    killed_at = time.monotonic_ns()
    process.kill()
    return killed_at, children


@pytest.mark.parametrize("seed", range(5))
def test_killed_at_a_random_instant(
    seed: int,
    tmp_path: Path,
    cell: FakeCell,
    make_sheets: Callable[..., tuple[Path, Path]],
) -> None:
    sheets = make_sheets(tmp_path, cell.port)
    out = tmp_path / "run.h5"
    wait_s = random.Random(seed).uniform(0.0, 1.2)
    process = start_recording(*sheets, out)
    session = attach(process.session_path)
    crew = Crew(session)
    crew.start()
    crew.stopped.wait(wait_s)
    start_ns = session.header.started_monotonic_ns
    killed_at, children = kill_with_children_noted(process)
    crew.join(20.0)
    assert not crew.is_alive()
    session.close()
    _, alive = psutil.wait_procs(children, timeout=20.0)
    assert not alive, "a child outlived the recording"

    if not seed:  # what lies there is never overwritten, and the way out is told
        with pytest.raises(RecordingError, match="testcar recover"):
            start_recording(*sheets, out)
    damage = recover(tmp_path / "run.h5.journal", tmp_path / "found.h5")
    assert damage == []
    with open_run(tmp_path / "found.h5") as run:
        kept = {(m.mark_id, m.revision): m.value for m in run.revisions()}
        missing = {k: v for k, v in crew.acknowledged.items() if kept.get(k) != v}
        assert missing == {}
        taken = np.asarray(run.channels["pull"].counts())
        assert np.array_equal(taken, np.arange(len(taken)) % 100_000)
        killed_s = (killed_at - start_ns) / 1e9
        last_s = float(run.channels["pull"].time_s()[-1]) if len(taken) else 0.0
        assert killed_s - last_s <= MOST_LOST_S


def test_what_a_killed_recording_leaves_is_swept_at_the_next_start(
    tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., tuple[Path, Path]]
) -> None:
    sheets = make_sheets(tmp_path, cell.port)
    process = start_recording(*sheets, tmp_path / "run.h5")
    _, children = kill_with_children_noted(process)
    psutil.wait_procs(children, timeout=20.0)
    assert sessions() == []
    assert list(session_folder().iterdir()) != []
    with start_recording(*sheets, tmp_path / "next.h5", seconds=0.2) as second:
        assert second.wait(60.0) == 0
        assert any(isinstance(report, Swept) for report in second.reports)
    assert list(session_folder().iterdir()) == []
    if SHM_FOLDER.is_dir():
        assert list(SHM_FOLDER.glob(f"tcar_{process.pid}_*")) == []


def test_the_whole_group_killed_leaves_segments_and_they_are_swept(
    tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., tuple[Path, Path]]
) -> None:
    """The tracker that would unlink the segments dies too, as when a user is logged off."""
    if not SHM_FOLDER.is_dir() or os.name == "nt":
        pytest.skip("needs a folder of shared memory")
    sheets = make_sheets(tmp_path, cell.port)
    process = start_recording(*sheets, tmp_path / "run.h5")
    children = psutil.Process(process.pid).children(recursive=True)
    ends = [os.pidfd_open(child.pid) for child in children]
    for child in children:
        child.kill()
    process.kill()
    # Dead is enough: until they are reaped, another recording may start, and sweep.
    for end in ends:
        assert select.select([end], [], [], 20.0)[0]
        os.close(end)
    assert list(SHM_FOLDER.glob(f"tcar_{process.pid}_*")) != []
    psutil.wait_procs(children, timeout=20.0)
    sweep()
    assert list(SHM_FOLDER.glob(f"tcar_{process.pid}_*")) == []
