"""The text of a file that somebody else wrote: not larger than it may be, and UTF-8."""

from __future__ import annotations

from pathlib import Path

__all__ = ["read_bounded_text"]

_STEPS = ((2**20, "MiB"), (2**10, "KiB"))


def read_bounded_text(
    path: Path, *, largest: int, refused: str, error: type[ValueError]
) -> str:
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
    with path.open("rb") as file:
        data = file.read(largest + 1)
    if len(data) > largest:
        msg = f"{path}: larger than {_size(largest)}: {refused}"
        raise error(msg)
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
