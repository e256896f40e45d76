"""``recover JOURNAL --out RUN.h5`` as its own hint says, whatever is at that place."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from recorder.command_line.main import main
from recorder.keeping.journal import Journal
from recorder.keeping.owner import SealingLock, sealing_alone
from recorder.keeping.seal import recover, seal
from recorder.run.parts.errors import WriterDeadError
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.room import room_told, run_file_bytes
from recorder.run_file.seal.verify import verify_run
from tests.recorder.made_runs import made_run

ROOT = Path(__file__).parents[3]
Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording that was cut off: its journal, and the run file as far as it had come."""
    folder = tmp_path_factory.mktemp("cut")
    made_run(2.0).filed(folder / "run.h5")
    return folder


@pytest.fixture
def run(cut_off: Path, tmp_path: Path) -> Path:
    """A copy of both; the run file's path."""
    for name in ("run.h5", "run.h5.journal"):
        shutil.copyfile(cut_off / name, tmp_path / name)
    return tmp_path / "run.h5"


def journal_of(run: Path) -> Path:
    return run.with_name("run.h5.journal")


def _half(data: bytes) -> bytes:
    return data[: len(data) // 2]


def _nothing(_: bytes) -> bytes:
    return b""


def _zeros(data: bytes) -> bytes:
    return bytes(len(data))


def _no_first_sector(data: bytes) -> bytes:
    return bytes(512) + data[512:]


def _torn_head(data: bytes) -> bytes:
    return data[:8] + b"\xa5" * 504 + data[512:]


def _headless(data: bytes) -> bytes:
    return data[:4096] + bytes(8192) + data[12288:]


TEARS: list[Callable[[bytes], bytes]] = [
    _half, _nothing, _zeros, _no_first_sector, _torn_head, _headless,
]  # fmt: skip


@pytest.mark.parametrize("tear", TEARS)
def test_the_hint_is_obeyed_literally(
    run: Path, capsys: Capture, tear: Callable[[bytes], bytes]
) -> None:
    torn = tear(run.read_bytes())
    run.write_bytes(torn)
    assert main(["recover", str(journal_of(run)), "--out", str(run)]) == 0
    told = capsys.readouterr()
    assert "run.h5.unfinished-1: the file that was at" in told.out
    assert f"the journal is kept; check the run (testcar verify {run}), then remove" in told.out
    assert told.err == ""
    assert run.with_name("run.h5.unfinished-1").read_bytes() == torn
    assert verify_run(run) == []
    assert journal_of(run).exists()


def test_a_file_that_holds_more_than_the_journal_tells_of_the_loss(
    tmp_path: Path, capsys: Capture
) -> None:
    """A log cut off behind a commit looks like one that never had more; the run file had it."""
    run, live = tmp_path / "run.h5", tmp_path / "live.journal"
    made = made_run(2.0)
    made.filed(tmp_path / "whole.h5")
    journal = made.journal(live, close=False)
    size = live.with_name("live.journal-wal").stat().st_size
    shutil.copyfile(live, journal_of(run))
    with live.with_name("live.journal-wal").open("rb") as log:
        run.with_name("run.h5.journal-wal").write_bytes(log.read(size * 2 // 3))
    journal.close()
    assert recover(journal_of(run), tmp_path / "alone.h5") == []
    shutil.copyfile(tmp_path / "whole.h5", run)

    assert main(["recover", str(journal_of(run)), "--out", str(run)]) == 1
    told = capsys.readouterr()
    assert "run.h5.unfinished-1: the file that was at" in told.out
    assert "it may hold what the journal lost: keep it" in told.out
    with open_run(tmp_path / "whole.h5") as whole, open_run(run) as found:
        assert verify_run(run) == []
        for name, device in whole.devices.items():
            lost = sum(gap.lost_records for gap in found.gaps(name))
            before = sum(gap.lost_records for gap in whole.gaps(name))
            assert found.devices[name].n + lost - before == device.n, name
            if missing := device.n - found.devices[name].n:
                assert f"{missing:,} record{'s'[: missing > 1]} of {name} missing" in told.err
        assert whole.devices["cell"].n > found.devices["cell"].n


def test_a_file_that_cannot_be_read_just_now_is_not_taken_for_one_that_holds_nothing(
    run: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """Else what it holds and the journal lost would be lost without a word."""
    before = run.read_bytes()

    def refused(_: object) -> list[object]:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE), str(run))

    monkeypatch.setattr("recorder.run_file.seal.at_place.read_marks", refused)
    assert main(["recover", str(journal_of(run)), "--out", str(run)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{run}: {os.strerror(errno.EMFILE)}" in line
    assert run.read_bytes() == before
    assert sorted(path.name for path in run.parent.iterdir()) == ["run.h5", "run.h5.journal"]


def test_under_another_name_it_is_known_by_what_stands_in_it(run: Path) -> None:
    torn = run.rename(run.with_name("other.h5"))
    held = torn.read_bytes()
    torn.write_bytes(bytes(600) + held[600:])
    recover(journal_of(run), torn)
    assert verify_run(torn) == []
    stranger = run.with_name("stranger.h5")
    stranger.write_bytes(bytes(5000))
    with pytest.raises(FileExistsError, match=r"no file of the run in this journal"):
        recover(journal_of(run), stranger)
    assert stranger.read_bytes() == bytes(5000)


def test_a_sealed_and_sound_file_is_recovered_already(run: Path) -> None:
    recover(journal_of(run), run)
    held = run.read_bytes()
    with pytest.raises(FileExistsError, match=r"is recovered already.*can be removed"):
        recover(journal_of(run), run)
    assert run.read_bytes() == held
    # Beside notes that do not read, too: they are another file.
    run.with_name("run.h5.notes").write_bytes(b"torn")
    with pytest.raises(FileExistsError, match="is recovered already"):
        recover(journal_of(run), run)


def test_a_sealed_file_that_was_damaged_since_is_replaced(run: Path) -> None:
    recover(journal_of(run), run)
    held = bytearray(run.read_bytes())
    held[len(held) // 2] ^= 1
    run.write_bytes(held)
    told: list[Path] = []
    recover(journal_of(run), run, moved_aside=told.append)
    assert verify_run(run) == []
    assert [path.name for path in told] == ["run.h5.unfinished-2"]
    assert told[0].read_bytes() == held


@pytest.mark.skipif(os.name != "posix", reason="links as POSIX has them")
def test_nothing_that_has_the_name_is_replaced_by_what_is_moved_aside(run: Path) -> None:
    """A link that leads nowhere is something, too."""
    link = run.with_name("run.h5.unfinished-1")
    link.symlink_to("elsewhere")
    told: list[Path] = []
    recover(journal_of(run), run, moved_aside=told.append)
    assert link.is_symlink()
    assert [path.name for path in told] == ["run.h5.unfinished-2"]


def test_another_run_is_never_touched(run: Path, tmp_path: Path) -> None:
    place = tmp_path / "elsewhere" / "run.h5"
    place.parent.mkdir()
    seal(made_run(2.0).filed(place), place)
    held = place.read_bytes()
    with pytest.raises(FileExistsError, match="never overwritten"):
        recover(journal_of(run), place)
    assert place.read_bytes() == held
    run.unlink()
    shutil.copyfile(place, run)
    with pytest.raises(FileExistsError, match="no file of the run in this journal"):
        recover(journal_of(run), run)


def test_a_name_that_points_elsewhere_is_left(run: Path) -> None:
    target = run.rename(run.with_name("target.h5"))
    run.symlink_to(target)
    with pytest.raises(FileExistsError):
        recover(journal_of(run), run)
    assert run.is_symlink()


def test_two_at_once_exclude_each_other_through_the_sealing(run: Path, capsys: Capture) -> None:
    journal = journal_of(run)
    tried: list[int] = []

    def meanwhile(part: float, _what: str) -> None:
        if not tried and part > 0.5:
            tried.append(main(["recover", str(journal), "--out", f"{run}.other"]))

    recover(journal, run, progress=meanwhile)
    assert tried == [2]
    (line,) = capsys.readouterr().err.splitlines()
    assert "another process is making a run file of it" in line
    with sealing_alone(journal), pytest.raises(BlockingIOError):
        seal(journal, run)
    assert sorted(p.name for p in run.parent.iterdir()) == [
        "run.h5", "run.h5.journal", "run.h5.unfinished-1",
    ]  # fmt: skip
    with pytest.raises(FileExistsError):
        Journal.create(journal, made_run(1.0).header)


def test_a_lock_whose_file_was_just_removed_is_none(run: Path) -> None:
    """Its last holder removed it between our opening and our locking it."""
    journal = journal_of(run)

    class Late(SealingLock):
        def _is_there(self) -> bool:
            self.path.unlink()
            return super()._is_there()

    with pytest.raises(BlockingIOError):
        Late(journal)
    SealingLock(journal).release()
    assert not journal.with_name("run.h5.journal.sealing").exists()


KILLED = """
import os, sys
from pathlib import Path
from recorder.keeping import seal as room
journal, run, at = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]

def progress(part, what):
    if at.replace(".", "").isdigit() and part >= float(at):
        os._exit(9)

if at == "aside":
    room.rename_new = lambda *_: os._exit(9)
room.recover(journal, run, progress=progress)
"""


@pytest.mark.slow
@pytest.mark.parametrize("at", ["0.35", "aside"])
def test_killed_anywhere_the_next_one_does_it(run: Path, at: str) -> None:
    journal = journal_of(run)
    code = subprocess.run(
        [sys.executable, "-c", KILLED, str(journal), str(run), at],
        check=False, cwd=ROOT, env={**os.environ},
    ).returncode  # fmt: skip
    assert code == 9
    recover(journal, run)
    assert verify_run(run) == []
    # A reader of SQLite's that was killed leaves two empty files of the journal's.
    left = {f"{journal.name}-wal", f"{journal.name}-shm"}
    assert {p.name for p in run.parent.iterdir()} - left == {
        "run.h5", "run.h5.journal", "run.h5.unfinished-1",
    }  # fmt: skip


FULL = """
import resource, sys
from pathlib import Path
from recorder.command_line.main import main
journal, run, largest = sys.argv[1], sys.argv[2], int(sys.argv[3])
codes = []
for part in (0.02, 0.6, 0.97, 0.997):
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(part * largest), resource.RLIM_INFINITY))
    codes.append(main(["recover", journal, "--out", run]))
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
codes.append(main(["recover", journal, "--out", run]))
print(codes, file=sys.stderr)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")
def test_a_disk_that_takes_no_more_is_one_line_wherever_it_ends(
    cut_off: Path, tmp_path: Path
) -> None:
    """Nothing of HDF5's own, no crash, and nothing left in the way."""
    journal = Path(shutil.copyfile(cut_off / "run.h5.journal", tmp_path / "run.h5.journal"))
    recover(journal, tmp_path / "whole.h5")
    largest = (tmp_path / "whole.h5").stat().st_size
    (tmp_path / "whole.h5").unlink()
    child = subprocess.run(
        [sys.executable, "-c", FULL, str(journal), str(tmp_path / "run.h5"), str(largest)],
        check=False, cwd=ROOT, env={**os.environ}, capture_output=True, text=True,
    )  # fmt: skip
    *lines, codes = child.stderr.splitlines()
    assert child.returncode == 0
    assert codes == "[2, 2, 2, 2, 0]"
    assert len(lines) == 4
    for line in lines:
        assert "the disk takes no file as large as this one becomes" in line
        assert "MiB were free; make room, or choose an --out on another disk" in line
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run.h5", "run.h5.journal"]
    assert verify_run(tmp_path / "run.h5") == []


@contextmanager
def told_room(run: Path) -> Iterator[None]:
    with room_told(run, journal_of(run), made_run(1.0).header):
        yield


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "the disk is full"), (errno.EDQUOT, "the quota on the disk is used up")],
)
def test_a_full_disk_says_so_and_how_much_is_needed(run: Path, number: int, words: str) -> None:
    cause = OSError(number, os.strerror(number))
    dead = WriterDeadError("HDF5 refused a write")
    dead.__cause__ = cause
    for error in (cause, dead):
        said = rf"{words}: the run file takes about [\d.]+ MiB"
        with pytest.raises(OSError, match=said), told_room(run):
            raise error
    other = OSError(errno.EIO, os.strerror(errno.EIO))
    with pytest.raises(OSError, match="Input/output error"), told_room(run):
        raise other


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES])
def test_a_folder_that_takes_no_change_says_what_to_do(
    run: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture, number: int
) -> None:
    unlink = Path.unlink

    def refused(path: Path, missing_ok: bool = False) -> None:  # noqa: FBT002 - as it is
        if path.suffix == ".recovering":
            raise OSError(number, os.strerror(number), str(path))
        unlink(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", refused)
    assert main(["recover", str(journal_of(run)), "--out", str(run)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{run}: no file can be made there ({os.strerror(number)})" in line
    assert "choose an --out in another folder" in line


def test_how_much_is_needed_is_about_right(run: Path) -> None:
    made = made_run(2.0)
    need = run_file_bytes(journal_of(run), made.header)
    recover(journal_of(run), run)
    assert 0.6 < need / run.stat().st_size < 2.0


def test_notes_of_the_file_before_are_told_and_recovery_is_done(
    run: Path, capsys: Capture
) -> None:
    recover(journal_of(run), run)
    with open_run(run) as opened:
        opened.companion.set_result("answers", {"a": 1}, by="", version="")
    run.write_bytes(b"")
    assert main(["recover", str(journal_of(run)), "--out", str(run)]) == 0
    assert "was added to another file of this run" in capsys.readouterr().out
    assert main(["notes", str(run), "--mend"]) == 0
    with open_run(run) as opened:
        answers = opened.companion.result("answers")
        assert answers is not None
        assert answers.data == {"a": 1}


def test_a_seal_waits_for_nobody_where_no_lock_can_be_made(
    run: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def read_only(*_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr("recorder.keeping.owner.create_private", read_only)
    monkeypatch.setattr("recorder.keeping.owner.open_ours", read_only)
    recover(journal_of(run), run)
    assert verify_run(run) == []
