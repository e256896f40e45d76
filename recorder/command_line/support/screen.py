"""What is written to the terminal: whatever a file, a name or an error holds, none of it steers it.

Every verb prints through here: :func:`guarded` stands around a whole command line. Signs that
steer (control, turning the line about, half a pair) are shown as a mark; on the standard error a
word of 100 kB is shortened with how long it was; letters that the terminal does not have are
written as their codes. Our own progress lines move the cursor by :func:`steer` alone.
:func:`put_line` is for a thread that may wait for the terminal, and must hold nothing meanwhile.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, Final, TextIO

from calibration.quantities.printable import printable, shortened

__all__ = ["CLEARED", "guarded", "put_line", "steer"]

CLEARED: Final = "\r\x1b[K"
"""Of our own: back to the beginning of the line, and nothing left on it."""


class _Guarded:
    """A stream that lets no text steer the terminal; else the stream itself."""

    def __init__(self, stream: TextIO, *, short: bool) -> None:
        self.stream = stream
        self._short = short

    def write(self, text: str) -> int:
        """As streams do."""
        self._put("\n".join(self.shown(line) for line in text.split("\n")))
        return len(text)

    def writelines(self, lines: Iterable[str]) -> None:
        """As streams do."""
        for line in lines:
            self.write(line)

    def shown(self, line: str) -> str:
        """As it may stand on the terminal."""
        shown = printable(line, but="\t")
        return shortened(shown) if self._short else shown

    def _put(self, text: str) -> None:
        try:
            self.stream.write(text)
        except UnicodeEncodeError:
            code = self.stream.encoding or "ascii"
            self.stream.write(text.encode(code, "backslashreplace").decode(code))

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the stream has
        return getattr(self.stream, name)


@contextmanager
def guarded() -> Iterator[None]:
    """Whatever is printed within steers no terminal."""
    out, err = sys.stdout, sys.stderr
    sys.stdout = _Guarded(out, short=False)
    sys.stderr = _Guarded(err, short=True)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = out, err


def steer(code: str) -> None:
    """Write a code of our own that moves the cursor on the standard error."""
    stream = sys.stderr
    raw = stream.stream if isinstance(stream, _Guarded) else stream
    raw.write(code)
    raw.flush()


def put_line(text: str, *, over: bool = False, end: str = "\n") -> None:
    """Print a line on the standard error, ``over`` the one before.

    The stream's own lock is not held while the terminal takes it: others print meanwhile, and the
    program can end.
    """
    stream = sys.stderr
    raw, shown = stream, text
    if isinstance(stream, _Guarded):
        raw, shown = stream.stream, stream.shown(text)
    line = f"{CLEARED if over else ''}{shown}{end}"
    try:
        handle = raw.fileno() if os.name == "posix" else None
    except (OSError, ValueError):
        handle = None  # no file of the system: a stand-in
    if handle is None:
        raw.write(line)
        raw.flush()
        return
    left = line.encode(raw.encoding or "ascii", "backslashreplace")
    while left:
        left = left[os.write(handle, left) :]
