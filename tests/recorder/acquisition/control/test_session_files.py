"""Session files are private, and what the dead left behind is swept, never what lives."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.acquisition.control.client import attach
from recorder.acquisition.control.session_files import (
    FOLDER_VARIABLE,
    SessionError,
    SessionFile,
    process_lives,
    process_started,
    read_session,
    ring_name,
    session_folder,
    sessions,
    socket_address,
    sweep,
    write_session,
)
from recorder.machine.shared_memory import (
    SHM_FOLDER,
    RingError,
    create_segment,
    unlink_segment,
)

linux = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")


def dead_pid() -> tuple[int, str]:
    """A process that has ended, and when it had begun."""
    words = "import sys; sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", words], stdin=subprocess.PIPE) as process:
        started = process_started(process.pid)
        pid = process.pid
    return pid, started


def session(pid: int, started: str, **changes: object) -> SessionFile:
    made = SessionFile(
        pid=pid,
        started=started,
        address=str(session_folder() / f"{pid}.sock"),
        authkey="00ff",
        run_path="/runs/run.h5",
        journal_path="/runs/run.h5.journal",
        run_id="7",
    )
    return replace(made, **changes)  # type: ignore[arg-type]  # any field


def test_a_session_is_written_and_read() -> None:
    made = session(os.getpid(), process_started(os.getpid()), rings={"cell": "x"})
    path = write_session(made)
    assert read_session(path) == made
    assert sessions() == [(path, made)]
    if os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o600
        assert path.parent.stat().st_mode & 0o777 == 0o700


@pytest.mark.skipif(os.name == "nt", reason="file modes")
def test_a_folder_open_to_others_is_closed_or_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "open"
    folder.mkdir(mode=0o777)
    folder.chmod(0o777)
    monkeypatch.setenv(FOLDER_VARIABLE, str(folder))
    assert session_folder().stat().st_mode & 0o777 == 0o700
    link = tmp_path / "link"
    link.symlink_to(folder)
    monkeypatch.setenv(FOLDER_VARIABLE, str(link))
    with pytest.raises(SessionError, match="private folder"):
        session_folder()


@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(raw=st.binary(max_size=200))
def test_any_bytes_are_no_session(raw: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.session"
    path.write_bytes(raw)
    with pytest.raises(SessionError, match="not a session file"):
        read_session(path)


@pytest.mark.parametrize(
    "spoil",
    [{"version": 2}, {"authkey": "xyz"}, {"rings": [1]}, {"pid": "me"}, {"rings": None}],
)
def test_a_spoilt_session_file(tmp_path: Path, spoil: dict[str, object]) -> None:
    path = tmp_path / "x.session"
    path.write_text(json.dumps({**asdict(session(1, "2")), **spoil}))
    with pytest.raises(SessionError):
        read_session(path)


@linux
def test_processes_are_told_apart_by_when_they_began() -> None:
    pid, started = dead_pid()
    assert not process_lives(pid, started)
    assert process_lives(os.getpid(), process_started(os.getpid()))
    assert not process_lives(os.getpid(), "1")
    assert not process_lives(0)


@linux
def test_what_a_dead_recording_left_is_swept_and_a_living_one_is_let_be() -> None:
    pid, started = dead_pid()
    gone = create_segment(ring_name(0, pid=pid), 4096)
    orphan = create_segment(ring_name(1, pid=pid), 4096)
    living = create_segment(ring_name(901), 4096)
    try:
        dead = write_session(session(pid, started, rings={"cell": gone.name}))
        mine = write_session(
            session(os.getpid(), process_started(os.getpid()), rings={"cell": living.name})
        )
        removed = sweep()
        assert {gone.name, orphan.name, dead.name} <= set(removed)
        assert not dead.exists()
        assert mine.exists()
        assert living.name not in removed
        assert sweep() == []
    finally:
        for segment in (gone, orphan):
            segment.close()
            # The tracker of this process has to hear that they are gone.
            _forget(segment.name)
        living.close()
        living.unlink()


@linux
@pytest.mark.parametrize("name", ["tcar_²_1_0", "tcar_7²_1_0", "tcar_99999999999999999999_1_0"])
def test_a_name_that_only_looks_like_ours_does_not_stop_a_recording(name: str) -> None:
    stranger = SHM_FOLDER / name
    stranger.write_bytes(b"")
    try:
        sweep()
    finally:
        stranger.unlink(missing_ok=True)


def _forget(name: str) -> None:
    from multiprocessing import resource_tracker

    if not unlink_segment(name):
        resource_tracker.register("/" + name, "shared_memory")
        resource_tracker.unregister("/" + name, "shared_memory")


def test_names_are_short_enough_for_every_system() -> None:
    name = ring_name(15, pid=2**22)
    assert len("/" + name) <= 31


def test_nothing_to_attach_to() -> None:
    with pytest.raises(SessionError, match="no recording is running here"):
        attach()
    with pytest.raises(SessionError, match=r"no recording to run\.h5"):
        attach("run.h5")
    with pytest.raises(OSError, match="none"):
        attach("none.session")


def test_two_recordings_must_be_told_apart() -> None:
    started = process_started(os.getpid())
    write_session(session(os.getpid(), started))
    other = write_session(session(os.getppid(), process_started(os.getppid())))
    with pytest.raises(SessionError, match="2 recordings are running; say which: "):
        attach()
    with pytest.raises(SessionError, match="cannot be reached; it has ended"):
        attach(other)


SQUATS: tuple[Callable[[Path], object], ...] = (
    Path.mkdir,
    lambda path: os.mkfifo(path),
    lambda path: path.symlink_to(path.with_name("elsewhere")),
)


@pytest.mark.skipif(os.name != "posix", reason="links and pipes as POSIX has them")
@pytest.mark.parametrize("squat", SQUATS, ids=["folder", "pipe", "link"])
@pytest.mark.parametrize("ending", ["session", "session.new", "sock"])
def test_what_has_the_name_of_a_session_is_said_and_left(
    squat: Callable[[Path], object], ending: str
) -> None:
    pid = os.getpid()
    place = session_folder() / f"{pid}.{ending}"
    squat(place)
    before = place.lstat()
    mine = session(pid, process_started(pid))
    make = partial(socket_address, pid) if ending == "sock" else partial(write_session, mine)
    with pytest.raises(OSError, match="is there, it belongs to you; it is neither followed"):
        make()
    assert sessions() == []
    sweep()
    assert place.lstat() == before


@pytest.mark.skipif(os.name != "posix", reason="links as POSIX has them")
def test_a_link_or_a_file_is_no_session_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "place"
    monkeypatch.setenv("TESTCAR_RUNTIME_DIR", str(place))
    (tmp_path / "elsewhere").mkdir(mode=0o755)
    place.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SessionError, match="a symbolic link is there"):
        session_folder()
    assert (tmp_path / "elsewhere").stat().st_mode & 0o777 == 0o755
    place.unlink()
    place.touch()
    with pytest.raises(SessionError, match="a file is there"):
        session_folder()


@pytest.mark.skipif(not SHM_FOLDER.is_dir(), reason="segments are seen in /dev/shm only")
class TestSegments:
    """Shared memory: ours alone, and never somebody else's."""

    def test_it_is_its_owners_alone_and_a_name_that_is_taken_is_told(self) -> None:
        name = ring_name(97)
        before = os.umask(0)
        try:
            segment = create_segment(name, 4096)
        finally:
            os.umask(before)
        try:
            assert (SHM_FOLDER / name).stat().st_mode & 0o777 == 0o600
            with pytest.raises(RingError, match=f"{name} exists already: it is yours"):
                create_segment(name, 4096)
        finally:
            segment.close()
            segment.unlink()

    @pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root gives files")
    def test_one_of_somebody_else_is_told_and_never_swept(self) -> None:
        pid, _ = dead_pid()
        place = SHM_FOLDER / f"tcar_{pid}_1f_98"
        place.write_bytes(bytes(4096))
        try:
            os.chown(place, 54321, -1)
            assert place.name not in sweep()
            with pytest.raises(RingError, match="it belongs to user number 54321"):
                create_segment(place.name, 4096)
            assert place.stat().st_uid == 54321
        finally:
            place.unlink()
