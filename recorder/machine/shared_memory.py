"""Shared memory that no bystander deletes, and that is really there when it is written to.

Python before 3.13 registers a segment with the resource tracker of whoever merely *attaches*,
and that tracker unlinks it when the bystander ends. Attaching here never registers.
"""

from __future__ import annotations

import errno
import os
import sys
import threading
from collections.abc import Sized
from multiprocessing import resource_tracker, shared_memory
from pathlib import Path
from typing import Final, cast

from recorder.machine.private_files import is_ours, squatted

__all__ = [
    "PAGE",
    "SHM_FOLDER",
    "MappedRing",
    "RingError",
    "attach_segment",
    "create_segment",
    "remove_segment",
    "unlink_segment",
]

SHM_FOLDER: Final = Path("/dev/shm")
"""Where Linux shows its segments."""
PAGE: Final = 4096
"""Of words, at the beginning of a ring's segment."""
_PATCHING: Final = threading.Lock()
_SILENT: Final = "ignore:resource_tracker:UserWarning"
"""To Python, as after ``-W``: every word of the resource tracker begins so."""


class RingError(OSError):
    """A ring cannot be made or opened."""


class MappedRing:
    """Owns the segment and every view of it, so that none outlives it."""

    def __init__(self, segment: shared_memory.SharedMemory) -> None:
        self._segment: shared_memory.SharedMemory | None = segment
        self._whole = memoryview(cast("memoryview", segment.buf))
        self._page = self._whole[:PAGE]
        self.words = self._page.cast("Q")
        self._fence = threading.Lock()

    def map_data(self, capacity: int) -> memoryview:
        self.data = self._whole[PAGE : PAGE + capacity]
        return self.data

    def fence(self) -> None:
        # Release, then acquire: nothing before may be seen after, nothing after before.
        with self._fence:
            pass
        with self._fence:
            pass

    def close(self) -> None:
        if self._segment is None:
            return
        for view in (self.words, getattr(self, "data", None), self._page, self._whole):
            if view is not None:
                view.release()
        self._segment.close()
        self._segment = None


def create_segment(name: str, size: int) -> shared_memory.SharedMemory:
    """Create a segment of ``size`` bytes, zeroed, its memory taken at once.

    Raises
    ------
    RingError
        The name is taken, or there is not so much shared memory. Without this check the
        process would die of a bus error at the first write beyond what there is.
    """
    try:
        _track_in_silence()
        segment = shared_memory.SharedMemory(name=name, create=True, size=size)
    except FileExistsError as error:
        words = squatted(SHM_FOLDER / name) or "it is yours; end what uses it, or remove it"
        msg = f"shared memory {name} exists already: {words}"
        raise RingError(msg) from error
    except OSError as error:
        msg = f"no shared memory for {name}, {size} bytes: {error.strerror}"
        raise RingError(msg) from error
    try:
        _reserve(name, size)
    except OSError as error:
        segment.close()
        segment.unlink()
        if error.errno not in (errno.ENOSPC, errno.ENOMEM):
            raise
        msg = f"shared memory is full: {size / 2**20:.0f} MiB are needed for {name}"
        raise RingError(msg) from error
    return segment


def attach_segment(name: str) -> shared_memory.SharedMemory:
    """Open a segment somebody else made, without making its end ours.

    Raises
    ------
    RingError
        There is no such segment.
    """
    try:
        if sys.version_info >= (3, 13):
            return shared_memory.SharedMemory(name=name, track=False)
        with _PATCHING:
            register = resource_tracker.register
            resource_tracker.register = _not_memory
            try:
                return shared_memory.SharedMemory(name=name)
            finally:
                resource_tracker.register = register
    except (OSError, ValueError) as error:
        msg = f"shared memory {name} cannot be opened; the recording has ended"
        raise RingError(msg) from error


def unlink_segment(name: str) -> bool:
    """Remove a leftover segment of ours; False when there was none."""
    if SHM_FOLDER.is_dir() and not is_ours(SHM_FOLDER / name):
        return False
    try:
        _track_in_silence()
        # Registered by attaching, and unregistered by unlinking: the tracker ends even.
        segment = shared_memory.SharedMemory(name=name)
    except (OSError, ValueError):
        return False
    segment.close()
    return remove_segment(segment)


def remove_segment(segment: shared_memory.SharedMemory) -> bool:
    """Take away the name of a segment made or opened here; False when somebody has before, as the
    system may when its owner logs off."""
    try:
        segment.unlink()
    except FileNotFoundError:
        # Else the tracker looks for it at the end, and complains.
        resource_tracker.unregister(f"/{segment.name}", "shared_memory")
        return False
    return True


def _track_in_silence() -> None:
    """Start the tracker, which takes our segments away when we are killed, and then would print a
    warning for programmers on the crew's terminal. It takes its flags from ours."""
    if os.name == "nt":
        return
    with _PATCHING:
        sys.warnoptions.append(_SILENT)
        try:
            resource_tracker.ensure_running()
        finally:
            sys.warnoptions.remove(_SILENT)


def _not_memory(name: Sized, rtype: str) -> None:
    if rtype != "shared_memory":  # pragma: no cover - another thread, at that very moment
        resource_tracker._resource_tracker.register(name, rtype)  # noqa: SLF001


def _reserve(name: str, size: int) -> None:
    path = SHM_FOLDER / name
    if not (hasattr(os, "posix_fallocate") and path.exists()):
        return
    handle = os.open(path, os.O_RDWR)
    try:
        os.posix_fallocate(handle, 0, size)
    finally:
        os.close(handle)
