"""Files that nobody else can open from their first byte on, and what may stand in their way.

What the system takes away from new files (umask) is not relied upon. A file is made anew or not
at all: nothing that lies there is followed, emptied, removed, or given other rights.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from pathlib import Path
from typing import Final

if sys.platform != "win32":
    import grp
    import pwd

__all__ = [
    "NO_LINK", "PRIVATE", "create_private", "group_number", "is_ours", "no_file", "open_ours",
    "share", "share_as", "squatted", "write_filler",
]  # fmt: skip

PRIVATE: Final = 0o600
SHARED: Final = 0o640
NO_LINK: Final = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
"""Never through a link, and never waiting for the other end of a pipe."""
_RIGHTS_ALONE: Final = getattr(os, "O_PATH", 0)
"""A handle that can change a file's rights and not read it; 0 where there is none (not Linux)."""
_HELD: Final = Path("/proc/self/fd")
"""Names of what this process holds open (Linux)."""
_KINDS: Final = (
    (stat.S_ISLNK, "a symbolic link"),
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISREG, "a file"),
)


def create_private(path: Path) -> int:
    """Make a file that its owner alone may open; gives its handle, open for both.

    Raises
    ------
    FileExistsError
        Something is there; it is as it was.
    OSError
    """
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | NO_LINK, PRIVATE)
    except FileExistsError:
        words = squatted(path) or "is there already and is never overwritten"
        raise FileExistsError(errno.EEXIST, words, str(path)) from None
    if hasattr(os, "fchmod"):
        # A strict umask may have left its owner without rights.
        os.fchmod(handle, PRIVATE)
    return handle


def write_filler(path: Path, n_bytes: int) -> None:
    """Take so much room on the disk, to be given back when it is wanted."""
    if not squatted(path):
        path.unlink(missing_ok=True)  # of a recording that was cut off
    with os.fdopen(create_private(path), "wb") as file:
        # Really written: a hole would give no room when it is wanted.
        file.write(os.urandom(n_bytes))
        file.flush()
        os.fsync(file.fileno())


def open_ours(path: Path) -> int:
    """Open a plain file of our own for reading and writing; gives its handle.

    Raises
    ------
    FileExistsError
        What is there is not ours, or no plain file.
    OSError
    """
    words = squatted(path)
    if not words:
        handle = os.open(path, os.O_RDWR | NO_LINK)
        held = os.fstat(handle)
        # By what was really opened: another may have been put there since it was looked at.
        if stat.S_ISREG(held.st_mode) and _owned(held) and held.st_nlink <= 1:
            return handle
        os.close(handle)
        words = "is not a plain file of ours; have it taken away, or choose another name"
    raise FileExistsError(errno.EEXIST, words, str(path))


def is_ours(path: Path) -> bool:
    """Whether there is a plain file that belongs to this user, and no link to one."""
    try:
        held = path.lstat()
    except OSError:
        return False
    return stat.S_ISREG(held.st_mode) and _owned(held)


def squatted(path: Path) -> str:
    """In words, what stands where a file of ours should be; empty where nothing foreign does."""
    try:
        held = path.lstat()
    except FileNotFoundError:
        return ""
    if stat.S_ISREG(held.st_mode) and _owned(held):
        return ""
    kind = _kind(held.st_mode)
    owner = "you" if _owned(held) else _user(held.st_uid)
    return (
        f"{kind} is there, it belongs to {owner}; it is neither followed nor removed: have it"
        " taken away, or choose another name"
    )


def no_file(path: Path) -> str:
    """In words, what is there, where it is anything but a file, whosever; empty for a file."""
    mode = path.lstat().st_mode
    return "" if stat.S_ISREG(mode) else _kind(mode)


def _kind(mode: int) -> str:
    return next((words for is_so, words in _KINDS if is_so(mode)), "a device")


def share(path: Path, group: int) -> None:
    """Let a group read a file of ours, too; it is not opened to be read.

    Whoever closes such a handle of a database takes away the locks that SQLite holds on it in the
    same process: the next program that lets go of the database then removes its log.

    Raises
    ------
    OSError
        This user is not in the group, or the file is not ours.
    """
    # The group first: no other group can read it even for a moment.
    if not _RIGHTS_ALONE:
        os.chown(path, -1, group, follow_symlinks=False)
        path.chmod(SHARED, follow_symlinks=False)
        return
    handle = os.open(path, _RIGHTS_ALONE | NO_LINK)
    try:
        mode = os.fstat(handle).st_mode
        if not stat.S_ISREG(mode):
            raise OSError(errno.ELOOP, f"{_kind(mode)} is there, no file of ours", str(path))
        held = _HELD / str(handle)
        os.chown(held, -1, group)
        held.chmod(SHARED)
    finally:
        os.close(handle)


def share_as(path: Path, pattern: Path) -> None:
    """Let those read a file of ours that may read another one by their group.

    A group that this user is not in is left out, and so is a pattern that is not there: the file
    then stays its owner's.
    """
    if os.name != "posix":
        return
    try:
        held = pattern.stat()
    except FileNotFoundError:
        return
    if held.st_mode & stat.S_IRGRP:
        try:
            share(path, held.st_gid)
        except PermissionError:
            return


def group_number(name: str) -> int:
    """The number of a group that this user is in.

    Raises
    ------
    ValueError
        There is no such group, or this user is not in it; one line.
    """
    if sys.platform == "win32":
        msg = f"group {name!r}: this system has no groups for files; leave it out"
        raise ValueError(msg)
    try:
        number = grp.getgrnam(name).gr_gid
    except KeyError:
        msg = f"there is no group {name!r} on this computer; make it, or leave group out"
        raise ValueError(msg) from None
    # Root may give a file to any group.
    if os.geteuid() != 0 and number not in {os.getegid(), *os.getgroups()}:
        msg = (
            f"{_user(os.geteuid())} is not in the group {name!r}; be added to it and log in"
            " again, or leave group out"
        )
        raise ValueError(msg)
    return number


def _owned(held: os.stat_result) -> bool:
    return sys.platform == "win32" or held.st_uid == os.geteuid()


def _user(number: int) -> str:
    if sys.platform == "win32":
        return "somebody else"
    try:
        return f"user {pwd.getpwuid(number).pw_name}"
    except KeyError:
        return f"user number {number}"
