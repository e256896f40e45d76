"""A pipe that takes no more, for nobody reads it: as a terminal that is stopped."""

from __future__ import annotations

import contextlib
import os

__all__ = ["full_pipe"]


def full_pipe() -> tuple[int, int]:
    """The end for reading, and the one for writing, at which whoever writes now waits."""
    reads, writes = os.pipe()
    os.set_blocking(writes, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(writes, bytes(65_536))
    os.set_blocking(writes, True)
    return reads, writes
