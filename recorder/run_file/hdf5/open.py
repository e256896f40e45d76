"""Opening the HDF5 file for reading, whatever state its writer left it in.

A file whose writer is alive, or was killed, carries a mark in its superblock and opens only as
a reader of a growing file. Such a reader asks again and again, with ever longer waits, for a
piece of metadata that fails its checksum: on a file damaged by a power cut it would wait for
ever. So a marked file is first read through a view in which the mark is lifted, where damage is
an error; and an old one is read through that view alone.

No lock of HDF5's is asked for, neither to write nor to read: whoever may read the file could hold
it and keep it from being sealed, and network disks know none. Two writers are kept apart by the
lock of the journal, and nobody writes to a file that is sealed.

The superblock (version 3) is laid out in the HDF5 File Format Specification 3.0, section II.A:
signature 8, version 1, sizes 1 + 1, consistency flags 1, base 8, extension 8, end of file 8,
root 8, checksum 4 (Jenkins lookup3, after the public description of the hash).
"""

from __future__ import annotations

import os
import struct
import time
from pathlib import Path
from typing import Final

import h5py

from calibration.quantities.bounded_text import open_regular
from recorder.run.parts.errors import RunFileError, UnreadableError
from recorder.run_file.hdf5.gate import check_structure
from recorder.run_file.hdf5.store import Hdf5Calls, Store

__all__ = [
    "CACHE_BYTES",
    "LIBVER",
    "SIGNATURE",
    "is_marked",
    "lookup3",
    "open_for_reading",
    "open_for_writing",
]

LIBVER: Final = ("v110", "v110")
"""Bounds of the file format: single-writer multiple-reader mode, and the offices' tools."""

CACHE_BYTES: Final = 2**20
"""Cache of chunks for each dataset of a file that is written or sealed, which goes through all of
them once and in order: the library's own, 8 MB from HDF5 2.0 on, fills memory for hours."""

SIGNATURE: Final = b"\x89HDF\r\n\x1a\n"
SUPERBLOCK_BYTES: Final = 48
"""Of version 2 or 3, with addresses of 8 bytes; this and the places in it: HDF5's file format."""
WIDE: Final = bytes((3, 8, 8))
"""What stands at 8: version, sizes of addresses and of lengths."""
FLAGS_AT: Final = 11
END_AT: Final = 28
MARK: Final = 0x05
"""Open for writing, and in single-writer multiple-reader mode."""
WHAT_TO_DO: Final = "go back to a sound copy, or make it anew of its journal: testcar recover"
QUIET_S: Final = 30.0
"""A living writer flushes every few seconds; after this long there is none."""


def open_for_reading(path: Path) -> Store:
    """Open a file for reading; ``growing`` of the result tells whether a writer may be alive.

    Raises
    ------
    FileNotFoundError, OSError
        There is none, or it may not be read.
    RunFileError
        No HDF5 file, or damaged.
    """
    with open_regular(path) as raw:
        head = raw.read(SUPERBLOCK_BYTES)
    if head[: len(SIGNATURE)] != SIGNATURE:
        msg = f"{path}: not a run file (no HDF5 signature)"
        raise RunFileError(msg)
    calls = Hdf5Calls(path)
    if not is_marked(head):
        return _gated(path, _closed_file(path, calls), closed=True)
    view = _LiftedView(path)
    with calls:
        file = h5py.File(view, "r")
    store = _gated(path, file, closed=False)
    try:
        _touch(store)
    except BaseException:
        store.close()
        raise
    if time.time() - path.stat().st_mtime > QUIET_S:
        return store
    store.close()
    with calls:
        file = h5py.File(path, "r", swmr=True, locking=False)
    return Store(path, file)


def open_for_writing(path: Path) -> Store:
    """Open an unsealed file for the seal.

    Raises
    ------
    RunFileError
        No HDF5 file, or damaged.
    OSError
        It may not be written.
    """
    with Hdf5Calls(path):
        file = h5py.File(path, "r+", libver=LIBVER, rdcc_nbytes=CACHE_BYTES, locking=False)
    # The seal makes the values: their rows are declared and not written yet.
    return _gated(path, file, closed=False)


def _closed_file(path: Path, calls: Hdf5Calls) -> h5py.File:
    try:
        with calls:
            return h5py.File(path, "r", locking=False)
    except UnreadableError as error:
        words = _why_not(path)
        if not words:
            raise
        raise UnreadableError(path, f"{words}; {WHAT_TO_DO}") from error


def _why_not(path: Path) -> str:
    """Why HDF5 does not open a file, as far as its first bytes tell; else empty."""
    with open_regular(path) as raw:
        head = raw.read(SUPERBLOCK_BYTES)
        size = os.fstat(raw.fileno()).st_size
    needs = SUPERBLOCK_BYTES
    if len(head) == SUPERBLOCK_BYTES:
        if head[8 : 8 + len(WIDE)] != WIDE:
            return ""
        if lookup3(head[:-4]) != int.from_bytes(head[-4:], "little"):
            return f"its first {SUPERBLOCK_BYTES} bytes fail their check"
        needs = int.from_bytes(head[END_AT : END_AT + 8], "little")
    return f"cut short: {size:,} bytes are there, it needs at least {needs:,}" * (size < needs)


def _gated(path: Path, file: h5py.File, *, closed: bool) -> Store:
    """The store of a file whose structure is a run file's; closes it when it is not."""
    store = Store(path, file)
    try:
        check_structure(store, file, size=path.stat().st_size, closed=closed)
    except BaseException:
        store.close()
        raise
    return store


def is_marked(head: bytes) -> bool:
    """Whether a superblock says that its writer has not closed the file."""
    whole = len(head) >= SUPERBLOCK_BYTES and head[8] == 3
    return whole and bool(head[FLAGS_AT] & MARK)


def _touch(store: Store) -> None:
    """Read every header and the last rows of every dataset: damage shows here, as an error."""
    for path in store.dataset_paths():
        store.column(path).read(-1)


class _LiftedView:
    """The file as it is, the writer's mark lifted and the end put where the file ends."""

    def __init__(self, path: Path) -> None:
        self._handle = -1
        self._handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        size = os.fstat(self._handle).st_size
        head = bytearray(self._read_at(0, SUPERBLOCK_BYTES))
        head[FLAGS_AT] &= ~MARK & 0xFF
        struct.pack_into("<Q", head, END_AT, size)
        struct.pack_into("<I", head, SUPERBLOCK_BYTES - 4, lookup3(bytes(head[:-4])))
        self._head = bytes(head)
        self._at = 0
        self._size = size

    def _read_at(self, at: int, n: int) -> bytes:
        os.lseek(self._handle, at, os.SEEK_SET)
        return os.read(self._handle, n)

    def readinto(self, buffer: memoryview) -> int:
        """As files do."""
        data = self._read_at(self._at, len(buffer))
        if self._at < SUPERBLOCK_BYTES:
            patch = self._head[self._at :][: len(data)]
            data = patch + data[len(patch) :]
        buffer[: len(data)] = data
        self._at += len(data)
        return len(data)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """As files do."""
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        self._at = start + offset
        return self._at

    def tell(self) -> int:
        """As files do."""
        return self._at

    def read(self, n: int = -1) -> bytes:
        """As files do."""
        wanted = bytearray(self._size - self._at if n < 0 else n)
        return bytes(wanted[: self.readinto(memoryview(wanted))])

    def write(self, _data: object) -> int:
        """Refused: the file is only read."""
        msg = "opened for reading"
        raise OSError(msg)

    def truncate(self, _size: int | None = None) -> int:
        """Refused: the file is only read."""
        msg = "opened for reading"
        raise OSError(msg)

    def flush(self) -> None:
        """Nothing is ever written."""

    def __del__(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)


def lookup3(data: bytes) -> int:
    """Jenkins' lookup3 hash (little-endian, start value 0) of some bytes, 32 bits."""
    a = b = c = (0xDEADBEEF + len(data)) & 0xFFFFFFFF
    if not data:
        return c
    padded = data + bytes(-len(data) % 12)
    words = struct.unpack(f"<{len(padded) // 4}I", padded)
    for i in range(0, len(words) - 3, 3):
        a, b, c = _mix(
            (a + words[i]) & 0xFFFFFFFF,
            (b + words[i + 1]) & 0xFFFFFFFF,
            (c + words[i + 2]) & 0xFFFFFFFF,
        )
    a, b, c = (x + y & 0xFFFFFFFF for x, y in zip((a, b, c), words[-3:], strict=True))
    return _final(a, b, c)


def _rotated(x: int, k: int) -> int:
    return ((x << k) | (x >> (32 - k))) & 0xFFFFFFFF


def _mix(a: int, b: int, c: int) -> tuple[int, int, int]:
    for k in (4, 6, 8, 16, 19, 4):
        a = ((a - c) & 0xFFFFFFFF) ^ _rotated(c, k)
        c = (c + b) & 0xFFFFFFFF
        a, b, c = b, c, a
    return a, b, c


def _final(a: int, b: int, c: int) -> int:
    c = ((c ^ b) - _rotated(b, 14)) & 0xFFFFFFFF
    a = ((a ^ c) - _rotated(c, 11)) & 0xFFFFFFFF
    b = ((b ^ a) - _rotated(a, 25)) & 0xFFFFFFFF
    c = ((c ^ b) - _rotated(b, 16)) & 0xFFFFFFFF
    a = ((a ^ c) - _rotated(c, 4)) & 0xFFFFFFFF
    b = ((b ^ a) - _rotated(a, 14)) & 0xFFFFFFFF
    return ((c ^ b) - _rotated(b, 24)) & 0xFFFFFFFF
