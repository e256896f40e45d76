"""A file that somebody else wrote: a file indeed, not larger than it may be, and UTF-8 text."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO

__all__ = ["open_regular", "read_bounded_bytes", "read_bounded_text"]

_STEPS = ((2**20, "MiB"), (2**10, "KiB"))


def open_regular(path: Path) -> BinaryIO:
    """Open a file for reading; a named pipe would wait for ever, a device never ends.

    Raises
    ------
    OSError
        There is none, it may not be read, or it is no file.
    """
    handle = os.open(
        path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    )
    mode = os.fstat(handle).st_mode
    if stat.S_ISREG(mode):
        return os.fdopen(handle, "rb")
    os.close(handle)
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, "is a folder; a file is needed", str(path))
    words = "is no file but a pipe, a socket or a device; a file is needed"
    raise OSError(errno.EINVAL, words, str(path))


def read_bounded_bytes(
    path: Path, *, largest: int, refused: str, error: type[Exception]
) -> bytes:
    """The bytes of a file of at most ``largest`` of them; arguments and errors as
    :func:`read_bounded_text`."""
    with open_regular(path) as file:
        data = file.read(largest + 1)
    if len(data) > largest:
        msg = f"{path}: larger than {_size(largest)}: {refused}"
        raise error(msg)
    return data


def read_bounded_text(path: Path, *, largest: int, refused: str, error: type[Exception]) -> str:
    """The text, a byte-order mark taken off.

    Parameters
    ----------
    largest : bytes
    refused : what is said of a file that cannot be one, as ``"not a certificate"``
    error : raised, in one line that begins with the path

    Raises
    ------
    OSError
        The file cannot be read.
    """
    data = read_bounded_bytes(path, largest=largest, refused=refused, error=error)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        row = data[: wrong.start].count(b"\n") + 1
        msg = f"{path}: row {row} is not UTF-8 text: {refused}"
        raise error(msg) from wrong


def _size(largest: int) -> str:
    for step, unit in _STEPS:
        if largest >= step:
            return f"{largest / step:g} {unit}"
    return f"{largest} bytes"
