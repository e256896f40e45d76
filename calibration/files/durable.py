"""Files that appear under their names whole and synced, or not at all.

A file that is synced may still be lost with its name: the folder is synced, too. After a kill or
a power cut there is the file as it was before, or as it shall be; beside it may lie the piece that
was being written (``NAME.part-PROCESS``), which nobody reads.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "new_file",
    "refusal",
    "rename_new",
    "sync_file",
    "sync_folder",
    "whole_file",
    "write_new",
    "write_whole",
]

NO_LINKS: Final = frozenset(
    {errno.EPERM, errno.EACCES, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK}
)
"""What a file system answers that knows no second name for a file (memory sticks)."""
FULL: Final = frozenset({errno.ENOSPC, errno.EDQUOT})


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where the system knows how (POSIX)."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sync_file(path: Path) -> None:
    """Bring a file's content to the disk."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def write_whole(path: Path, data: bytes, *, mode: int = 0o666) -> None:
    """Write a file in place of whatever is there; raises ``OSError`` that names it."""
    with whole_file(path, mode=mode) as part:
        part.write_bytes(data)


def write_new(path: Path, data: bytes, *, mode: int = 0o666) -> None:
    """Write a file where none is; raises ``FileExistsError``, or ``OSError`` that names it."""
    with new_file(path, mode=mode) as part:
        part.write_bytes(data)


@contextmanager
def whole_file(path: Path, *, mode: int = 0o666) -> Iterator[Path]:
    """Write into the path it gives; at the end that is ``path``, and the file before is gone.

    ``mode`` holds from the first byte on, less what the system takes away from every new file.

    Raises
    ------
    OSError
        It cannot be written; what was at ``path`` is as it was.
    """
    if path.exists() and not path.is_file():
        # A terminal or a pipe: written to, never replaced.
        yield path
        return
    place = path.resolve()
    with _part_of(path, place, mode) as part:
        yield part
        with refusal(path):
            sync_file(part)
            part.replace(place)
            sync_folder(place.parent)


@contextmanager
def new_file(path: Path, *, mode: int = 0o666) -> Iterator[Path]:
    """Write into the path it gives; at the end that is ``path``, if there is still nothing.

    Raises
    ------
    FileExistsError
        Something is at ``path``, and is as it was.
    OSError
        It cannot be written; there is nothing at ``path``.
    """
    if os.path.lexists(path):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
    with _part_of(path, path, mode) as part:
        yield part
        with refusal(path):
            sync_file(part)
            rename_new(part, path)


def rename_new(part: Path, path: Path) -> None:
    """Give a file another name that nothing has yet, on the disk when it returns.

    Raises
    ------
    FileExistsError
        Something has the name, and keeps it.
    OSError
    """
    try:
        os.link(part, path)
    except FileExistsError:
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        # Made by us alone, then replaced: two at once cannot both have the name.
        path.open("xb").close()
        part.replace(path)
    else:
        part.unlink()
    sync_folder(path.parent)


@contextmanager
def _part_of(path: Path, place: Path, mode: int) -> Iterator[Path]:
    part = place.with_name(f"{place.name}.part-{os.getpid()}")
    with refusal(path):
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode))
    try:
        with refusal(path, part):
            yield part
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


@contextmanager
def refusal(path: Path, part: Path | None = None) -> Iterator[None]:
    """Around writing: the person named the place, and a full disk names none at all.

    With ``part``, only errors that name nothing or that piece are told so.

    Raises
    ------
    OSError
    """
    try:
        yield
    except FileExistsError:
        raise
    except OSError as error:
        if part is not None and error.filename not in (None, str(part), part):
            raise
        words = error.strerror or str(error)
        if words.startswith("cannot be written"):
            raise
        if error.errno in FULL:
            words += f", {_free(path)} are free; make room and do it again"
        raise OSError(error.errno, f"cannot be written: {words}", str(path)) from error


def _free(path: Path) -> str:
    try:
        return f"{shutil.disk_usage(path.absolute().parent).free / 2**20:.1f} MiB"
    except OSError:
        return "an unknown number of bytes"
