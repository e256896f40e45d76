"""Room on the disk for the run file of a journal: how much it takes, and a full disk in words."""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from recorder.machine.host import free_bytes
from recorder.run.parts.errors import WriterDeadError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from recorder.run.parts.header import RunHeader

__all__ = ["room_told", "run_file_bytes"]

WORDS: Final = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the quota on the disk is used up",
    errno.EFBIG: "the disk takes no file as large as this one becomes",
}
NOT_OURS: Final = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})
CHUNKS_BYTES: Final = 3 * 2**20
"""Of a run file without a record: a chunk of each column (measured)."""
OF_JOURNAL: Final = 0.8
"""Of a journal that is records of the widest kind: it holds other devices, too (measured)."""
TIME_BYTES: Final = 8
VALUE_BYTES: Final = 9
"""Of one value and its flags."""


def run_file_bytes(journal: Path, header: RunHeader) -> int:
    """About how much the run file of a journal takes: an estimate, for a person."""
    held = sum(
        part.stat().st_size
        for part in (journal, journal.with_name(journal.name + "-wal"))
        if part.exists()
    )
    more = [
        (device.record_dtype.itemsize + TIME_BYTES + VALUE_BYTES * len(device.channels))
        / device.record_dtype.itemsize
        for device in header.devices
    ]
    return int(CHUNKS_BYTES + OF_JOURNAL * held * max(more, default=1.0))


@contextmanager
def room_told(run: Path, journal: Path, header: RunHeader) -> Iterator[None]:
    """Around making a run file: a full disk is told as one, with what is needed; and a folder
    that takes no file, with what to do.

    Raises
    ------
    OSError
    """
    free = free_bytes(run.absolute().parent)
    try:
        yield
    except (WriterDeadError, OSError) as error:
        cause = error if isinstance(error, OSError) else error.__cause__
        if isinstance(cause, OSError) and cause.errno in NOT_OURS:
            words = (
                f"no file can be made there ({os.strerror(cause.errno)}); choose an --out in"
                f" another folder; the journal {journal} is kept"
            )
            raise OSError(cause.errno, words, str(run)) from error
        if not isinstance(cause, OSError) or cause.errno not in WORDS:
            raise
        need = run_file_bytes(journal, header)
        words = (
            f"{WORDS[cause.errno]}: the run file takes about {need / 2**20:,.1f} MiB,"
            f" {free / 2**20:,.1f} MiB were free; make room, or choose an --out on another disk;"
            f" the journal {journal} is kept"
        )
        raise OSError(cause.errno, words, str(run)) from error
