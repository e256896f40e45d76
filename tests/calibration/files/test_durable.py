"""Files appear under their names whole and synced, or not at all."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from calibration.files.durable import new_file, rename_new, write_new, write_whole

ROOT = Path(__file__).parents[3]
KILLED = """
import os, sys
from pathlib import Path
from calibration.files import durable
at, writer, target = sys.argv[1], sys.argv[2], Path(sys.argv[3])
real = getattr(os, at)
setattr(os, at, lambda *words, **named: os._exit(9))
getattr(durable, writer)(target, b"new")
"""


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is asked of the system, in order: syncs of files and folders, and new names."""
    told: list[str] = []

    def noted(name: str, real: Callable[..., object]) -> Callable[..., object]:
        def call(*words: object, **named: object) -> object:
            if name == "fsync":
                is_folder = stat.S_ISDIR(os.fstat(int(str(words[0]))).st_mode)
                told.append("folder synced" if is_folder else "file synced")
            else:
                told.append("named")
            return real(*words, **named)

        return call

    for name in ("fsync", "link", "replace"):
        monkeypatch.setattr(os, name, noted(name, getattr(os, name)))
    return told


@pytest.mark.parametrize("write", [write_new, write_whole])
def test_synced_before_it_has_its_name_and_the_name_after(
    tmp_path: Path, calls: list[str], write: Callable[[Path, bytes], None]
) -> None:
    write(tmp_path / "a.cert.json", b"whole")
    assert calls == ["file synced", "named", "folder synced"]
    assert (tmp_path / "a.cert.json").read_bytes() == b"whole"
    assert [p.name for p in tmp_path.iterdir()] == ["a.cert.json"]


@pytest.mark.parametrize("writer", ["write_new", "write_whole"])
@pytest.mark.parametrize("at", ["fsync", "link", "replace"])
def test_killed_at_any_step_it_is_there_whole_or_not_at_all(
    tmp_path: Path, at: str, writer: str
) -> None:
    target = tmp_path / "a.sig"
    before = b"old" if writer == "write_whole" else None
    if before is not None:
        target.write_bytes(before)
    subprocess.run(
        [sys.executable, "-c", KILLED, at, writer, str(target)],
        check=False, cwd=ROOT, env={**os.environ},
    )  # fmt: skip
    found = target.read_bytes() if target.exists() else None
    assert found in (before, b"new")
    # And what was left stands in nobody's way.
    target.unlink(missing_ok=True)
    write_new(target, b"again")
    assert target.read_bytes() == b"again"


def test_nothing_is_overwritten_by_something_new(tmp_path: Path) -> None:
    target = tmp_path / "lab.key"
    target.write_bytes(b"mine")
    with pytest.raises(FileExistsError, match=r"lab\.key"):
        write_new(target, b"other")
    assert target.read_bytes() == b"mine"
    assert [p.name for p in tmp_path.iterdir()] == ["lab.key"]


def test_of_two_that_are_made_at_once_the_first_stays(tmp_path: Path) -> None:
    target = tmp_path / "cell.cert.json"

    def both() -> None:
        with new_file(target) as part:
            part.write_bytes(b"second")
            target.write_bytes(b"first")

    with pytest.raises(FileExistsError):
        both()
    assert target.read_bytes() == b"first"
    assert [p.name for p in tmp_path.iterdir()] == ["cell.cert.json"]


def test_a_place_that_knows_no_second_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", none)
    write_new(tmp_path / "a.pub", b"key")
    assert (tmp_path / "a.pub").read_bytes() == b"key"
    (tmp_path / "b").write_bytes(b"other")
    with pytest.raises(FileExistsError):
        rename_new(tmp_path / "b", tmp_path / "a.pub")
    assert (tmp_path / "a.pub").read_bytes() == b"key"


@pytest.mark.skipif(sys.platform == "win32", reason="rights of POSIX")
def test_a_private_key_is_nobody_elses_from_its_first_byte(tmp_path: Path) -> None:
    seen = []
    with new_file(tmp_path / "lab.key", mode=0o600) as part:
        seen.append(stat.S_IMODE(part.stat().st_mode))
        part.write_bytes(b"secret")
    seen.append(stat.S_IMODE((tmp_path / "lab.key").stat().st_mode))
    assert seen == [0o600, 0o600]


def test_a_full_disk_is_told_by_the_place_that_was_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    target = tmp_path / "report.pdf"
    target.write_bytes(b"old")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(
        OSError, match=r"cannot be written: No space left .*MiB are free"
    ) as told:
        write_whole(target, b"new")
    assert told.value.filename == str(target)
    assert target.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["report.pdf"]


def test_a_name_that_points_elsewhere_keeps_pointing_there(tmp_path: Path) -> None:
    (tmp_path / "kept").write_bytes(b"old")
    (tmp_path / "name").symlink_to("kept")
    write_whole(tmp_path / "name", b"new")
    assert (tmp_path / "name").is_symlink()
    assert (tmp_path / "kept").read_bytes() == b"new"


def test_what_is_no_file_is_written_to_and_stays(tmp_path: Path) -> None:
    write_whole(Path(os.devnull), b"gone")
    assert not Path(os.devnull).is_file()
    assert not list(tmp_path.iterdir())
