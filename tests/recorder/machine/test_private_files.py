"""Files that nobody else can open, and what stands in their way is said and left alone."""

from __future__ import annotations

import os
import socket
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from recorder.machine.private_files import (
    create_private,
    group_number,
    is_ours,
    open_ours,
    share,
    share_as,
    squatted,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights as POSIX has them")


@pytest.fixture(params=[0o000, 0o022, 0o777], ids=["open", "usual", "nothing"])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    """What the system takes away from every new file."""
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def mode(path: Path) -> int:
    """The rights of a file."""
    return stat.S_IMODE(path.lstat().st_mode)


@pytest.mark.usefixtures("umask")
def test_a_file_is_its_owners_alone_whatever_the_umask(tmp_path: Path) -> None:
    os.close(create_private(tmp_path / "kept"))
    assert mode(tmp_path / "kept") == 0o600


def a_link(path: Path) -> None:
    victim = path.with_name("victim")
    victim.write_text("precious")
    path.symlink_to(victim)


def a_dangling_link(path: Path) -> None:
    path.symlink_to(path.with_name("nothing there"))


def a_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(path))


SQUATTERS: list[tuple[Callable[[Path], None], str]] = [
    (a_link, "a symbolic link"),
    (a_dangling_link, "a symbolic link"),
    (Path.mkdir, "a folder"),
    (os.mkfifo, "a named pipe"),
    (a_socket, "a socket"),
]


@pytest.mark.parametrize(("squat", "kind"), SQUATTERS, ids=lambda v: getattr(v, "__name__", ""))
def test_what_stands_in_the_way_is_said_and_left_as_it_is(
    squat: Callable[[Path], None], kind: str, tmp_path: Path
) -> None:
    place = tmp_path / "kept"
    squat(place)
    before = place.lstat()
    assert squatted(place).startswith(f"{kind} is there, it belongs to you; it is neither")
    for opening in (create_private, open_ours):
        with pytest.raises(FileExistsError, match=f"{kind} is there"):
            opening(place)
    after = place.lstat()
    assert (after.st_ino, after.st_mode, after.st_mtime_ns) == (
        before.st_ino, before.st_mode, before.st_mtime_ns,
    )  # fmt: skip
    assert not is_ours(place)
    victim = tmp_path / "victim"
    assert not victim.exists() or victim.read_text() == "precious"
    assert not (tmp_path / "nothing there").exists()


def test_a_file_of_ours_is_no_squatter_and_is_not_overwritten(tmp_path: Path) -> None:
    place = tmp_path / "kept"
    place.write_text("mine")
    assert squatted(place) == ""
    assert is_ours(place)
    with pytest.raises(FileExistsError, match="never overwritten"):
        create_private(place)
    os.close(open_ours(place))
    assert place.read_text() == "mine"


def test_a_second_name_of_our_own_file_is_not_opened(tmp_path: Path) -> None:
    (tmp_path / "victim").write_text("precious")
    (tmp_path / "kept").hardlink_to(tmp_path / "victim")
    with pytest.raises(FileExistsError, match="not a plain file of ours"):
        open_ours(tmp_path / "kept")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root can give files")
def test_a_file_of_somebody_else_is_told_with_its_owner(tmp_path: Path) -> None:
    place = tmp_path / "kept"
    place.write_text("theirs")
    os.chown(place, 54321, -1)
    assert "a file is there, it belongs to user number 54321" in squatted(place)
    with pytest.raises(FileExistsError, match="user number 54321"):
        open_ours(place)
    assert place.read_text() == "theirs"


def test_a_group_may_read_and_nobody_else(tmp_path: Path) -> None:
    a, b = tmp_path / "a", tmp_path / "b"
    for path in (a, b):
        os.close(create_private(path))
    share(a, os.getegid())
    assert mode(a) == 0o640
    share_as(b, a)
    assert (mode(b), b.stat().st_gid) == (0o640, os.getegid())
    private = tmp_path / "private"
    os.close(create_private(private))
    os.close(create_private(tmp_path / "c"))
    share_as(tmp_path / "c", private)
    assert mode(tmp_path / "c") == 0o600


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo, lambda path: path.symlink_to("a")])
def test_only_a_plain_file_is_shared(make: Callable[[Path], None], tmp_path: Path) -> None:
    os.close(create_private(tmp_path / "a"))
    make(tmp_path / "b")
    before = mode(tmp_path / "b")
    with pytest.raises(OSError, match="is there, no file of ours"):
        share(tmp_path / "b", os.getegid())
    assert (mode(tmp_path / "a"), mode(tmp_path / "b")) == (0o600, before)


def test_a_group_that_is_not_there_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match="there is no group 'no-such-crew' on this computer"):
        group_number("no-such-crew")


def test_a_group_one_is_not_in_is_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    import grp

    name = grp.getgrgid(0).gr_name
    monkeypatch.setattr(os, "geteuid", lambda: 54321)
    monkeypatch.setattr(os, "getegid", lambda: 54321)
    monkeypatch.setattr(os, "getgroups", list)
    with pytest.raises(ValueError, match=f"is not in the group '{name}'; be added to it"):
        group_number(name)
