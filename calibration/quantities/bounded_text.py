"""A file that somebody else wrote: a file indeed, not larger than it may be, and UTF-8 text; JSON
and TOML whose whole numbers can be reckoned with."""

from __future__ import annotations

import errno
import json
import os
import stat
import tomllib
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, Final

from calibration.quantities.printable import shortened

__all__ = [
    "bounded_json",
    "bounded_toml",
    "open_regular",
    "read_bounded_bytes",
    "read_bounded_text",
]

MOST_DIGITS: Final = 40
"""Of a whole number; none that is measured or counted has more, and from 310 on it is no number of
the processor's."""

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


def bounded_json(
    text: str | bytes, *, parse_constant: Callable[[str], Any] | None = None
) -> Any:  # noqa: ANN401 - JSON holds anything
    """What a JSON text holds; ``parse_constant`` is given ``NaN`` and the like.

    Raises
    ------
    ValueError
        It is no JSON, nested too deep, names a key twice in one object, or holds a whole number
        that nothing can reckon with.
    """
    try:
        return json.loads(
            text, parse_int=_whole, parse_constant=parse_constant, object_pairs_hook=_each_once
        )
    except RecursionError as error:
        raise ValueError(_TOO_DEEP) from error


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A reader by eye takes the first of two, a program the last."""
    held = dict(pairs)
    if len(held) != len(pairs):
        twice, _ = Counter(name for name, _ in pairs).most_common(1)[0]
        msg = f"the key {shortened(repr(twice))} stands twice"
        raise ValueError(msg)
    return held


def bounded_toml(text: str) -> dict[str, Any]:
    """What a TOML text holds, its byte-order mark passed over; errors as :func:`bounded_json`."""
    try:
        held = tomllib.loads(text.removeprefix("\ufeff"))
        _check_wholes(held)
    except RecursionError as error:
        raise ValueError(_TOO_DEEP) from error
    return held


_TOO_DEEP: Final = "too deeply nested"


def _whole(digits: str) -> int:
    if len(digits) > MOST_DIGITS:
        msg = f"a whole number has {len(digits):,} digits; allowed: up to {MOST_DIGITS}"
        raise ValueError(msg)
    return int(digits)


def _check_wholes(held: object) -> None:
    if isinstance(held, dict | list):
        for part in held.values() if isinstance(held, dict) else held:
            _check_wholes(part)
    elif isinstance(held, int) and abs(held) >= 10**MOST_DIGITS:
        msg = f"a whole number has more than {MOST_DIGITS} digits"
        raise ValueError(msg)


def _size(largest: int) -> str:
    for step, unit in _STEPS:
        if largest >= step:
            return f"{largest / step:g} {unit}"
    return f"{largest} bytes"
