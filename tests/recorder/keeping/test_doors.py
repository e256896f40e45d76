"""Who can open what a recording keeps, and what may stand where it shall be."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from recorder.keeping.journal import Journal
from recorder.keeping.owner import JournalState, OwnerLock, journal_path_for, journal_state
from recorder.keeping.seal import recover, remove_journal
from recorder.machine.private_files import no_file
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.seal_file import seal_file
from tests.recorder.made_runs import MadeRun, cell_blocks, header, load_cell, mark

fcntl = pytest.importorskip("fcntl", reason="rights and locks as POSIX has them")
resource = pytest.importorskip("resource", reason="limits as POSIX has them")

SMALL: int = 4096


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Path]:
    """A folder, while no file may grow, as on a full disk."""
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, limits[1]))
    yield tmp_path
    resource.setrlimit(resource.RLIMIT_FSIZE, limits)


@pytest.fixture
def made() -> MadeRun:
    return MadeRun(header=header(load_cell()), blocks=cell_blocks(2.0), marks=[mark(1.0)])


@pytest.fixture(params=[0o000, 0o777], ids=["open", "nothing"])
def _umask(request: pytest.FixtureRequest) -> Iterator[None]:
    before = os.umask(request.param)
    yield
    os.umask(before)


def rights(folder: Path) -> dict[str, int]:
    """Of every file of a folder."""
    return {p.name: stat.S_IMODE(p.stat().st_mode) for p in folder.iterdir()}


@pytest.mark.usefixtures("_umask")
def test_everything_kept_is_its_owners_alone(tmp_path: Path, made: MadeRun) -> None:
    run = tmp_path / "run.h5"
    journal = Journal.create(journal_path_for(run), made.header, ballast_bytes=SMALL)
    journal.append(made.blocks)
    endings = ("", "-wal", "-shm", ".lock", ".ballast")
    assert rights(tmp_path) == {f"run.h5.journal{ending}": 0o600 for ending in endings}
    journal.close()
    recover(journal.path, run)
    assert rights(tmp_path)["run.h5"] == 0o600


def test_a_group_may_read_what_is_kept_and_change_nothing(
    tmp_path: Path, made: MadeRun
) -> None:
    run, group = tmp_path / "run.h5", os.getegid()
    journal = Journal.create(
        journal_path_for(run), made.header, ballast_bytes=SMALL, group=group
    )
    journal.append(made.blocks)
    found = rights(tmp_path)
    assert found.pop("run.h5.journal.ballast") == 0o600
    assert set(found.values()) == {0o640}
    journal.close()
    recover(journal.path, run)
    assert (rights(tmp_path)["run.h5"], run.stat().st_gid) == (0o640, group)


@pytest.mark.parametrize("group", [None, os.getegid()], ids=["private", "shared"])
def test_another_program_of_the_same_user_takes_no_log_away(
    group: int | None, tmp_path: Path, made: MadeRun
) -> None:
    path = journal_path_for(tmp_path / "run.h5")
    look = (
        "import sqlite3, sys; s = sqlite3.connect(sys.argv[1]); print(*s.execute(sys.argv[2]))"
    )
    count = [
        sys.executable,
        "-c",
        f"{look}; s.close()",
        str(path),
        "SELECT count(*) FROM marks",
    ]
    with Journal.create(path, made.header, ballast_bytes=SMALL, group=group) as journal:
        for n in (1, 2, 3):
            journal.commit_mark(mark(float(n)))
            assert subprocess.check_output(count, text=True) == f"({n},)\n"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root is anybody else")
def test_a_stranger_cannot_open_anything(tmp_path: Path, made: MadeRun) -> None:
    tmp_path.chmod(0o755)
    run = tmp_path / "run.h5"
    with Journal.create(
        journal_path_for(run), made.header, ballast_bytes=SMALL, group=54321
    ) as journal:
        journal.append(made.blocks)
        shared = ("", "-wal", "-shm", ".lock")
        paths = [journal.path.with_name(journal.path.name + ending) for ending in shared]
        assert [as_user(54322, 54322, path) for path in paths] == [False] * 4
        assert [as_user(54322, 54321, path) for path in paths] == [True] * 4
        assert [as_user(54322, 54321, path, os.O_RDWR) for path in paths] == [False] * 4


def as_user(user: int, group: int, path: Path, how: int = os.O_RDONLY) -> bool:
    """Whether somebody else can open a file; asked in a process that is that user's."""
    child = os.fork()
    if child == 0:
        code = 3
        try:
            handle = os.open(path, os.O_PATH)  # the folders above are root's in a test
            os.setgroups([])
            os.setgid(group)
            os.setuid(user)
            os.open(f"/proc/self/fd/{handle}", how)
            code = 0
        except PermissionError:
            code = 1
        finally:
            os._exit(code)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, 1)
    return code == 0


def a_link(path: Path) -> None:
    path.with_name("victim").write_text("precious")
    path.symlink_to(path.with_name("victim"))


@pytest.mark.parametrize("ending", ["", ".lock", ".ballast"])
@pytest.mark.parametrize("squat", [a_link, Path.mkdir, os.mkfifo])
def test_what_stands_in_the_way_is_said_and_left(
    squat: Callable[[Path], None], ending: str, tmp_path: Path, made: MadeRun
) -> None:
    journal = tmp_path / "run.h5.journal"
    squat(journal.with_name(journal.name + ending))
    before = {p.name: p.lstat().st_mode for p in tmp_path.iterdir()}
    with pytest.raises(FileExistsError, match="is there, it belongs to you; it is neither"):
        Journal.create(journal, made.header, ballast_bytes=SMALL)
    assert {p.name: p.lstat().st_mode for p in tmp_path.iterdir()} == before
    if squat is a_link:
        assert (tmp_path / "victim").read_text() == "precious"


def test_a_ballast_that_was_left_behind_is_used_again(tmp_path: Path, made: MadeRun) -> None:
    (tmp_path / "run.journal.ballast").write_bytes(b"left")
    with Journal.create(tmp_path / "run.journal", made.header, ballast_bytes=SMALL):
        assert (tmp_path / "run.journal.ballast").stat().st_size == SMALL


def test_a_lock_that_is_a_pipe_or_a_link_is_no_lock_and_is_not_waited_for(
    tmp_path: Path,
) -> None:
    journal = tmp_path / "run.journal"
    journal.write_bytes(b"x")
    os.mkfifo(tmp_path / "run.journal.lock")
    with pytest.raises(OSError, match=r"named pipe is there"):
        journal_state(journal)
    (tmp_path / "run.journal.lock").unlink()
    a_link(tmp_path / "run.journal.lock")
    with pytest.raises(OSError, match=r"symbolic link is there"):
        journal_state(journal)
    (tmp_path / "run.journal.lock").unlink()
    assert journal_state(journal) is JournalState.UNFINISHED


@pytest.mark.parametrize("goes", ["no_file", "os.open"])
@pytest.mark.parametrize("stays", [True, False])
def test_a_lock_let_go_while_it_is_looked_at_is_held_by_nobody(
    goes: str, stays: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal, lock = tmp_path / "run.journal", tmp_path / "run.journal.lock"
    journal.write_bytes(b"x")
    lock.write_bytes(b"")
    then = no_file if goes == "no_file" else os.open

    def gone(*words: Any) -> Any:
        lock.unlink()
        if not stays:
            journal.unlink()
        return then(*words)

    monkeypatch.setattr(f"recorder.keeping.owner.{goes}", gone)
    expected = JournalState.UNFINISHED if stays else JournalState.ABSENT
    assert journal_state(journal) is expected


def test_those_who_look_at_once_take_nobody_for_a_recording(tmp_path: Path) -> None:
    journal = tmp_path / "run.journal"
    journal.write_bytes(b"x")
    (tmp_path / "run.journal.lock").write_bytes(b"")
    with ThreadPoolExecutor(8) as lookers:
        states = set(lookers.map(lambda _: journal_state(journal), range(4000)))
    assert states == {JournalState.UNFINISHED}


def test_a_lock_whose_file_cannot_be_removed_is_let_go_all_the_same(
    tmp_path: Path, made: MadeRun
) -> None:
    """As on a disk that the system has made read-only: the run's outcome must still be told."""
    journal = Journal.create(tmp_path / "run.journal", made.header, ballast_bytes=SMALL)
    lock = tmp_path / "run.journal.lock"
    with lock.open("rb") as held:
        lock.unlink()
        lock.mkdir()
        journal.close()
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    assert {p.name for p in tmp_path.iterdir()} == {"run.journal", "run.journal.lock"}


def test_a_lock_that_another_process_has_taken_since_is_left_to_it(tmp_path: Path) -> None:
    first = OwnerLock(tmp_path / "run.journal")
    (tmp_path / "run.journal.lock").unlink()
    second = OwnerLock(tmp_path / "run.journal")
    first.release()
    with pytest.raises(BlockingIOError):
        OwnerLock(tmp_path / "run.journal")
    second.release()


def test_only_what_is_ours_goes_with_the_journal(tmp_path: Path) -> None:
    journal = tmp_path / "run.journal"
    journal.write_bytes(b"x")
    a_link(tmp_path / "run.journal.ballast")
    remove_journal(journal)
    assert {p.name for p in tmp_path.iterdir()} == {"run.journal.ballast", "victim"}


def test_a_reader_that_holds_a_lock_does_not_keep_the_run_from_being_sealed(
    tmp_path: Path, made: MadeRun
) -> None:
    run = tmp_path / "run.h5"
    made.filed(run)
    with run.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_SH)
        seal_file(run, marks=made.marks, events=[])
        fcntl.flock(held, fcntl.LOCK_EX)
        with open_run(run) as opened:
            assert opened.channels["pull"].n > 0


def test_a_lock_that_cannot_be_written_is_named_and_leaves_nothing(full: Path) -> None:
    """The place is named: the system's own words on a full disk name none."""
    with pytest.raises(OSError, match="cannot be written") as refused:
        OwnerLock(full / "run.h5.journal")
    assert refused.value.filename == str(full / "run.h5.journal.lock")
    assert list(full.iterdir()) == []
