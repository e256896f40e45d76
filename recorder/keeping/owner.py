"""Who holds a journal: a lock that the operating system lets go when its holder dies."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
from enum import Enum
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

from calibration.files.durable import refusal
from recorder.machine.private_files import NO_LINK, create_private, no_file, open_ours

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "JournalState",
    "OwnerLock",
    "SealingLock",
    "boot_id",
    "journal_path_for",
    "journal_state",
    "sealing_alone",
]

NO_PLACE: Final = frozenset(
    {errno.EROFS, errno.EACCES, errno.EPERM, errno.ENOSPC, errno.EDQUOT}
)

if sys.platform == "win32":
    import msvcrt

    def _try_lock(file: IO[bytes], *, alone: bool = True) -> bool:
        del alone  # a byte is locked by one, or by nobody
        file.seek(0)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    def _try_lock(file: IO[bytes], *, alone: bool = True) -> bool:
        how = fcntl.LOCK_EX if alone else fcntl.LOCK_SH
        try:
            fcntl.flock(file.fileno(), how | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


class JournalState(Enum):
    """Whether there is a journal, and whether a living process is recording to it."""

    ABSENT = "absent"
    RECORDING = "recording"
    UNFINISHED = "unfinished"


class OwnerLock:
    """Held while this process records to a journal; gone with the process, however it ends."""

    ending = ".lock"
    held_words = "another process is recording to it"

    def __init__(self, journal: Path) -> None:
        """Take the lock.

        Raises
        ------
        BlockingIOError
            Another process holds it.
        FileExistsError
            What is there is not ours, or no plain file; it is left as it is.
        OSError
            It cannot be written, as on a full disk.
        """
        self.path = journal.with_name(journal.name + self.ending)
        self._file: IO[bytes] = os.fdopen(_opened(self.path), "r+b", buffering=0)
        if not _try_lock(self._file) or not self._is_there():
            self._file.close()
            msg = f"{journal}: {self.held_words}"
            raise BlockingIOError(msg)
        owner = {"pid": os.getpid(), "boot_id": boot_id()}
        try:
            with refusal(self.path):
                self._file.truncate(0)
                self._file.write(b" " + json.dumps(owner).encode())
        except OSError:
            self.release()
            raise

    def _is_there(self) -> bool:
        """Whether the locked file still has the name: its last holder may just have removed it."""
        try:
            return os.path.samestat(self.path.stat(), os.fstat(self._file.fileno()))
        except FileNotFoundError:
            return False

    def release(self) -> None:
        """Let go and remove the lock's file; may be called twice.

        One that cannot be removed (on a disk that has become read-only) locks nothing.
        """
        if self._file.closed:
            return
        # Removed while still held: nobody can take a lock on a file that then vanishes.
        if sys.platform != "win32":
            self._remove()
        self._file.close()
        if sys.platform == "win32":
            self._remove()

    def _remove(self) -> None:
        with contextlib.suppress(OSError):
            if self._file.closed or self._is_there():
                self.path.unlink(missing_ok=True)


class SealingLock(OwnerLock):
    """Held while this process makes the run file of a journal, live or afterwards."""

    ending = ".sealing"
    held_words = "another process is making a run file of it; wait until that is done"


@contextlib.contextmanager
def sealing_alone(journal: Path) -> Iterator[None]:
    """While this process alone makes a run file of a journal.

    Where nothing can be made beside the journal (a disk that is only read, or full) no lock can.

    Raises
    ------
    BlockingIOError
        Another process does.
    """
    try:
        lock = SealingLock(journal)
    except OSError as error:
        if error.errno not in NO_PLACE:
            raise
        yield
        return
    try:
        yield
    finally:
        lock.release()


def _opened(path: Path) -> int:
    """The lock's file, made, or the one that a recording left that was cut off."""
    try:
        return create_private(path)
    except FileExistsError:
        return open_ours(path)


def journal_path_for(run_path: Path | str) -> Path:
    """Where the journal of a run file lies: beside it, ``RUN.h5.journal``."""
    path = Path(run_path)
    return path.with_name(path.name + ".journal")


def journal_state(journal: Path | str) -> JournalState:
    """What a journal is to somebody who comes upon it, who need not be its owner.

    Raises
    ------
    OSError
        What lies there in place of its lock is no file, or may not be read.
    """
    path = Path(journal)
    if not path.exists():
        return JournalState.ABSENT
    lock = path.with_name(path.name + OwnerLock.ending)
    try:
        kind = no_file(lock)
        if not kind:
            how = os.O_RDWR if sys.platform == "win32" else os.O_RDONLY
            with os.fdopen(os.open(lock, how | NO_LINK), "rb") as file:
                # Not alone: others who only look, at the same moment, are no recording.
                free = _try_lock(file, alone=False)
                return JournalState.UNFINISHED if free else JournalState.RECORDING
    except FileNotFoundError:
        # Nobody holds it: there is none, or its holder has just let go of it.
        return JournalState.UNFINISHED if path.exists() else JournalState.ABSENT
    msg = f"{kind} is there, where the lock of a journal should be; have it taken away"
    raise FileExistsError(errno.EEXIST, msg, str(lock))


def boot_id() -> str:
    """Identity of this boot, where the system has one; monotonic time ends with it."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""
