"""The filer: files what is committed, may be read meanwhile, and may be killed at any time."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import h5py
import numpy as np
import pytest

from recorder.keeping.errors import SealError
from recorder.keeping.filer import EXIT_FAILED, follow
from recorder.keeping.filer_process import FilerProcess
from recorder.keeping.filer_reports import FILER_REPORTS, Filed, FilerFailed
from recorder.keeping.journal import Journal
from recorder.keeping.owner import journal_path_for
from recorder.keeping.seal import recover, seal
from recorder.machine.child_process import child_environment, python_command
from recorder.run.parts.errors import WriterDeadError
from recorder.run_file.hdf5.live_writer import LiveWriter
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.made_runs import (
    MadeRun,
    Stopped,
    append_blocks,
    cell_blocks,
    header,
    load_cell,
    made_run,
    mark,
)

ROOT = Path(__file__).parents[3]


class Following:
    """A filer in a thread, and a way to wait until it has filed so many records."""

    def __init__(self, journal: Path, run: Path) -> None:
        self.stop = threading.Event()
        self.result: Filed | None = None
        self._filed = 0
        self._told = threading.Condition()
        self._thread = threading.Thread(target=self._run, args=(journal, run))
        self._thread.start()

    def _run(self, journal: Path, run: Path) -> None:
        self.result = follow(
            journal, run, self.stop, report=self._heard, poll_s=0.01, sync_s=0.02
        )

    def _heard(self, result: Filed) -> None:
        with self._told:
            self._filed = result.records["cell"]
            self._told.notify_all()

    def wait_for(self, records: int) -> None:
        """Until so many records are on the disk."""
        with self._told:
            assert self._told.wait_for(lambda: self._filed >= records, timeout=20.0)

    def end(self) -> Filed:
        """Stop it."""
        self.stop.set()
        self._thread.join(20.0)
        assert self.result is not None
        return self.result


@pytest.fixture
def cell_run() -> MadeRun:
    return MadeRun(header=header(load_cell()), blocks=cell_blocks(8.0), marks=[mark(1.0)])


READER = """
import sys
import h5py
with h5py.File(sys.argv[1], "r", swmr=True) as file:
    time_s, raw = file["devices/cell/time_s"], file["devices/cell/raw_ch0"]
    print("open", flush=True)
    for line in sys.stdin:
        time_s.refresh()
        raw.refresh()
        n = min(len(time_s), len(raw))
        print(n, int(raw[n - 1]), flush=True)
"""


def test_another_process_reads_it_while_it_grows(tmp_path: Path, cell_run: MadeRun) -> None:
    run = tmp_path / "run.h5"
    journal = Journal.create(journal_path_for(run), cell_run.header, ballast_bytes=4096)
    counts = cell_run.records("cell")["ch0"]
    journal.append(cell_run.blocks[:10])
    filer = Following(journal.path, run)
    filer.wait_for(500)
    with subprocess.Popen(
        [sys.executable, "-c", READER, str(run)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as reader:
        assert reader.stdin is not None
        assert reader.stdout is not None
        assert reader.stdout.readline() == "open\n"
        for upto in range(20, 160, 20):
            journal.append(cell_run.blocks[upto - 10 : upto])
            if upto == 20:
                journal.append(cell_run.blocks[10:10])
            filer.wait_for((upto - 10 + 10) * 50 if upto == 20 else 0)
            reader.stdin.write("\n")
            reader.stdin.flush()
            n, last = map(int, reader.stdout.readline().split())
            assert n >= 500
            assert last == counts[n - 1]
            journal.append(cell_run.blocks[upto : upto + 10])
        reader.stdin.close()
    filer.end()
    journal.close()


def test_our_own_reader_follows_a_growing_file(tmp_path: Path, cell_run: MadeRun) -> None:
    run = tmp_path / "run.h5"
    with Journal.create(journal_path_for(run), cell_run.header) as journal:
        journal.append(cell_run.blocks[:10])
        journal.commit_mark(cell_run.marks[0])
        filer = Following(journal.path, run)
        filer.wait_for(500)
        with open_run(run) as opened:
            assert not opened.complete
            assert opened.live
            first = opened.devices["cell"].n
            journal.append(cell_run.blocks[10:60])
            filer.wait_for(3000)
        with open_run(run) as opened:
            assert opened.devices["cell"].n == 3000 > first
            assert [m.value for m in opened.marks()] == ["41"]
            found = opened.channels["pull"].counts()
            assert np.array_equal(found, cell_run.records("cell")["ch0"][:3000])
            assert opened.overview("pull", 0.0, 1.5, 10).count.sum() > 2900
        assert filer.end().records == {"cell": 3000}


def test_a_run_file_is_never_overwritten(tmp_path: Path, cell_run: MadeRun) -> None:
    run = tmp_path / "run.h5"
    run.write_bytes(b"something of value")
    cell_run.journal(tmp_path / "j")
    with pytest.raises(FileExistsError):
        follow(tmp_path / "j", run, Stopped())
    with pytest.raises(FileExistsError, match="never overwritten"):
        FilerProcess(tmp_path / "j", run)
    assert run.read_bytes() == b"something of value"


def test_a_dead_handle_stays_dead(
    tmp_path: Path, cell_run: MadeRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = LiveWriter(tmp_path / "run.h5", cell_run.header)
    append_blocks(writer, cell_run.blocks[:5])
    writer.sync()

    def refuse(*_: object) -> None:
        msg = "Can't write data (file write failed: no space left on device)"
        raise RuntimeError(msg)

    monkeypatch.setattr(h5py.Dataset, "id", property(refuse))
    with pytest.raises(WriterDeadError, match="no space left"):
        append_blocks(writer, cell_run.blocks[5:6])
    monkeypatch.undo()
    # A later write would seem to succeed and leave a file that lies: it is refused.
    with pytest.raises(WriterDeadError, match="closed after an error"):
        append_blocks(writer, cell_run.blocks[5:6])
    writer.close()
    with h5py.File(tmp_path / "run.h5", "r", swmr=True, locking=False) as file:
        assert len(file["devices/cell/time_s"]) == 250


MISTAKEN = """
import sys
from recorder.keeping import filer
from recorder.run_file.seal import final_times

def mistaken(*_, **__):
    raise KeyError("unheard of")

final_times.tie_ticks = mistaken
sys.exit(filer.main(sys.argv[1:]))
"""


class TestProcess:
    def test_a_bug_in_the_seal_is_reported_as_one(self, tmp_path: Path) -> None:
        made_run(2.0).journal(tmp_path / "j")
        done = subprocess.run(
            [sys.executable, "-c", MISTAKEN, str(tmp_path / "j"), str(tmp_path / "run.h5")],
            input=b"seal\n",
            capture_output=True,
            cwd=ROOT,
            check=False,
            timeout=60,
        )
        last = FILER_REPORTS.from_json(done.stdout.splitlines()[-1])
        assert isinstance(last, FilerFailed)
        assert last.bug
        assert last.why.startswith("KeyError: 'unheard of'; nothing is lost")
        assert done.returncode == EXIT_FAILED
        # The traceback is for those who ask for it: testcar --debug recover.
        assert done.stderr == b""
        assert (tmp_path / "j").exists()

    def test_a_whole_recording(self, tmp_path: Path) -> None:
        made = made_run(6.0)
        run = tmp_path / "run.h5"
        journal = Journal.create(journal_path_for(run), made.header)
        with FilerProcess(journal.path, run) as filer:
            for mark_ in made.marks:
                journal.commit_mark(mark_)
            for i, blocks in enumerate(made.commits(40)):
                journal.append(blocks, made.events if i == 0 else [])
            journal.close()
            parts: list[float] = []
            filer.seal(progress=lambda part, _what: parts.append(part), timeout_s=60.0)
            assert filer.problem == ""
            assert parts == sorted(parts)
            assert filer.filed is not None
            assert filer.filed.records["cell"] == len(made.records("cell"))
        assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]
        assert verify_run(run) == []

    def test_stopping_without_a_seal(self, tmp_path: Path, cell_run: MadeRun) -> None:
        run = tmp_path / "run.h5"
        cell_run.journal(tmp_path / "j")
        with FilerProcess(tmp_path / "j", run) as filer:
            filer.stop(timeout_s=60.0)
        with open_run(run) as opened:
            assert not opened.complete
            assert opened.devices["cell"].n == len(cell_run.records("cell"))
        assert any("not sealed" in line for line in verify_run(run))

    def test_a_journal_that_cannot_be_read_is_told(self, tmp_path: Path) -> None:
        (tmp_path / "j").write_bytes(b"no journal")
        with FilerProcess(tmp_path / "j", tmp_path / "run.h5") as filer:
            with pytest.raises(SealError, match="not a journal"):
                filer.seal(timeout_s=60.0)
            assert "not a journal" in filer.problem

    def test_it_goes_when_the_recording_process_is_gone(
        self, tmp_path: Path, cell_run: MadeRun
    ) -> None:
        run = tmp_path / "run.h5"
        cell_run.journal(tmp_path / "j")
        process = subprocess.Popen(
            python_command("recorder.keeping.filer", tmp_path / "j", run),
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            env=child_environment(),
        )
        assert process.stdin is not None
        process.stdin.close()  # what happens to the pipe when its other end is killed
        assert process.wait(60.0) == 0
        with open_run(run) as opened:
            assert opened.devices["cell"].n == len(cell_run.records("cell"))

    def test_its_end_by_a_kill_is_a_problem_in_words(
        self, tmp_path: Path, cell_run: MadeRun
    ) -> None:
        cell_run.journal(tmp_path / "j")
        with FilerProcess(tmp_path / "j", tmp_path / "run.h5") as filer:
            filer.kill()
            assert "ended with code" in filer.problem
            assert "the run is recovered" in filer.problem

    @pytest.mark.slow
    @pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
    def test_killed_at_any_instant_it_costs_nothing(
        self, tmp_path: Path, cell_run: MadeRun
    ) -> None:
        """Its first report comes when the file is there; the kill some commits after that."""
        rng = np.random.default_rng(7)
        wanted = cell_run.records("cell")
        commits = list(cell_run.commits())
        for trial in range(4):
            folder = tmp_path / str(trial)
            folder.mkdir()
            run = folder / "run.h5"
            journal = Journal.create(journal_path_for(run), cell_run.header)
            killed_at = int(rng.integers(1, len(commits)))
            journal.append(commits[0])
            with _filing(journal.path, run) as filer:
                for i, blocks in enumerate(commits[1:], 1):
                    if i == killed_at:
                        filer.kill()
                    journal.append(blocks)
            journal.close()
            with open_run(run) as opened:
                n = opened.devices["cell"].n
                assert opened.devices["cell"].records().tobytes() == wanted[:n].tobytes()
            assert recover(journal.path, run) == []
            assert verify_run(run) == []
            with open_run(run) as opened:
                assert opened.devices["cell"].records().tobytes() == wanted.tobytes()


@contextmanager
def _filing(journal: Path, run: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A filer that has made its first report; dead at the end."""
    process = subprocess.Popen(
        python_command("recorder.keeping.filer", journal, run),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=child_environment(),
    )
    with process:
        assert process.stdout is not None
        assert b"filed" in process.stdout.readline()
        try:
            yield process
        finally:
            process.kill()


def test_sealing_twice_is_refused(tmp_path: Path, cell_run: MadeRun) -> None:
    journal = cell_run.filed(tmp_path / "run.h5")
    seal(journal, tmp_path / "run.h5", remove=False)
    before = (tmp_path / "run.h5").read_bytes()
    with pytest.raises(ValueError, match="sealed already"):
        seal(journal, tmp_path / "run.h5")
    assert (tmp_path / "run.h5").read_bytes() == before
