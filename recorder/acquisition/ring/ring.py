"""A ring of blocks in shared memory: one writer, any number of readers, no waiting for them.

Layout: a page of 64-bit words, then ``capacity`` bytes in which blocks follow one another,
each a 64-byte header and its records, padded to 64 bytes. Positions count bytes ever written,
so they never repeat; a block that would run over the end begins at the start instead, behind a
skip marker. The writer moves ``TAIL`` beyond what it is going to overwrite *before* it does,
and ``HEAD`` beyond a block *after* it is whole; both under a lock, whose release and
acquisition order the stores and loads on every processor. Each block carries its sequence
number and a CRC-32 of all its bytes, and a reader believes a block only if the CRC agrees and
``TAIL`` had not passed it when the copy was done.

No lock is shared between processes: a reader stopped while it held one would stop the writer,
and the recording must not depend on any window.
"""

from __future__ import annotations

import struct
import threading
import time
import zlib
from collections import deque
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from calibration.clock.tick_line import TickLine
from recorder.machine.shared_memory import (
    PAGE,
    MappedRing,
    RingError,
    attach_segment,
    create_segment,
    remove_segment,
)
from recorder.run.parts.block import Block

__all__ = ["RingError", "RingReader", "RingStats", "RingWriter"]

ALIGN: Final = 64
"""Of headers: a line of the processor's cache, and room for the header itself."""
MAGIC: Final = 0x52494E4754434152
VERSION: Final = 3
_BLOCK: Final = 0xB10C_DA7A
_SKIP: Final = 0xB10C_5C1B
_HEADER: Final = struct.Struct("<IIQQIIdQdd")
_GAP: Final = 2**31
"""Set in the number of records when something is missing before the first of them."""
_RETRIES: Final = 5
"""Looks at a block before it counts as damaged: one that is just being overtaken is not whole
for some microseconds, and the next look then finds the tail moved beyond it."""
_TOUCHED: Final = 2**20
"""Zeros written at once; only a limit on the memory they take."""
PATIENCE_S: Final = 10.0
"""A disk that stalls for longer is gone: drives give a request up after 7 to 30 s (common
practice), and a device's own buffers behind a waiting socket hold some seconds at most."""

(_W_MAGIC, _W_VERSION, _W_CAPACITY, _W_HEAD, _W_RECORDS, _W_TAIL,
 _W_KEPT, _W_KEPT_SEQUENCE, _W_PEAK, _W_DROPPED, _W_DROPPED_RECORDS) = range(11)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RingStats:
    """How full a ring is, in bytes not yet kept, and what was overwritten before it was."""

    capacity: int
    used: int
    peak_used: int
    dropped: int
    """Blocks overwritten before they were kept."""
    dropped_records: int


class RingWriter:
    """The writing end; ``write`` is called by one thread only."""

    def __init__(self, name: str, *, dtype: np.dtype[Any], capacity: int = 16 * 2**20) -> None:
        """Create the ring.

        Raises
        ------
        RingError
            The name is taken or there is no memory.
        ValueError
            ``capacity`` is not at least 4096 bytes.
        """
        if capacity < PAGE:
            msg = f"capacity must be at least {PAGE} bytes, got {capacity}"
            raise ValueError(msg)
        self.name = name
        self.dtype = dtype
        self.capacity = capacity - capacity % ALIGN
        self._segment = create_segment(name, PAGE + self.capacity)
        self._mapped = MappedRing(self._segment)
        self._words = self._mapped.words
        self._data = self._mapped.map_data(self.capacity)
        self._blocks: deque[tuple[int, int, int]] = deque()
        self._head = 0
        self._sequence = 0
        self._records = 0
        self._publishing = threading.Lock()
        self._closed = False
        self._kept: threading.Event | None = None
        """Set by the keeper, of this very process, whenever it has kept something."""
        self.patience_s = PATIENCE_S
        # Touched now, so that the process does not grow while the ring is first filled.
        for start in range(0, self.capacity, _TOUCHED):
            part = self._data[start : start + _TOUCHED]
            part[:] = bytes(len(part))
        self._words[_W_CAPACITY] = self.capacity
        self._words[_W_VERSION] = VERSION
        self._mapped.fence()
        self._words[_W_MAGIC] = MAGIC

    def write(self, block: Block) -> None:
        """Publish a block; a long one goes out as several.

        With a keeper that is behind by a whole ring it waits for that, at most ``patience_s``:
        a sender with flow control (TCP) then waits too, and nothing is lost. After that, and
        always without a keeper, the oldest blocks are overwritten. No reader is waited for.
        """
        most = max(1, (self.capacity // 8 - ALIGN) // self.dtype.itemsize)
        for start in range(0, len(block.records), most):
            part = block.part(start, start + most)
            payload = np.ascontiguousarray(part.records, dtype=self.dtype).tobytes()
            n = len(part.records) | (_GAP if part.gap_before else 0)
            line = part.line
            self._put(
                payload, n, (part.received_s, line.tick0 % 2**64, line.t0_s, line.s_per_tick)
            )

    def _put(self, payload: bytes, n: int, line: tuple[float, int, float, float]) -> None:
        need = _padded(ALIGN + len(payload))
        offset = self._head % self.capacity
        room = self.capacity - offset
        start = self._head if need <= room else self._head + room
        end = start + need
        self._wait_for_keeper(end)
        self._free(end - self.capacity, start)
        if start != self._head:
            self._data[offset : offset + ALIGN] = _pack(_SKIP, self._sequence, 0, 0, b"", line)
        at = start % self.capacity
        header = _pack(_BLOCK, self._sequence, self._records, n, payload, line)
        self._data[at : at + ALIGN] = header
        self._data[at + ALIGN : at + ALIGN + len(payload)] = payload
        n &= ~_GAP
        self._blocks.append((start, self._sequence, n))
        self._head = end
        self._sequence += 1
        self._records += n
        self._publish()

    def _wait_for_keeper(self, end: int) -> None:
        """Until the keeper has all that would be overwritten, or patience is at its end."""
        if self._kept is None or end - self._words[_W_KEPT] <= self.capacity:
            return
        deadline = time.monotonic() + self.patience_s
        while True:
            # Cleared before the look: what is kept after it wakes the wait.
            self._kept.clear()
            if end - self._words[_W_KEPT] <= self.capacity:
                return
            if not self._kept.wait(max(deadline - time.monotonic(), 0.0)):
                return

    def _free(self, oldest: int, start: int) -> None:
        """Give up blocks that begin before ``oldest``; count those nobody kept."""
        moved = False
        while self._blocks and self._blocks[0][0] < oldest:
            _, sequence, n = self._blocks.popleft()
            moved = True
            if sequence >= self._words[_W_KEPT_SEQUENCE]:
                self._words[_W_DROPPED] += 1
                self._words[_W_DROPPED_RECORDS] += n
        if moved:
            with self._publishing:
                self._words[_W_TAIL] = self._blocks[0][0] if self._blocks else start
            self._mapped.fence()

    def _publish(self) -> None:
        self._mapped.fence()
        with self._publishing:
            self._words[_W_RECORDS] = self._records
            self._words[_W_HEAD] = self._head
            used = min(self._head - self._words[_W_KEPT], self.capacity)
            if used > self._words[_W_PEAK]:
                self._words[_W_PEAK] = used

    @property
    def bytes_per_record(self) -> float:
        """What a record takes of it, with its share of heads; any thread may ask."""
        return self._head / self._records if self._records else float(self.dtype.itemsize)

    def stats(self) -> RingStats:
        """How full it is; any thread of this process may ask."""
        with self._publishing:
            return _stats(self._words)

    def keeper(self, device: str) -> RingReader:
        """The reader that counts as keeping, over this very mapping; close it first."""
        self._kept = threading.Event()
        return RingReader(
            self.name, dtype=self.dtype, device=device, kept=self._kept, mapped=self._mapped
        )

    def reader(self, device: str) -> RingReader:
        """A reader that keeps nothing, over this very mapping; close it first."""
        return RingReader(self.name, dtype=self.dtype, device=device, mapped=self._mapped)

    def close(self, *, unlink: bool = True) -> None:
        """Let go of the memory and, normally, remove it. May be called twice."""
        if self._closed:
            return
        self._closed = True
        self._mapped.close()
        if unlink:
            remove_segment(self._segment)


class RingReader:
    """A reading end with a cursor of its own; used by one thread at a time.

    ``lost_blocks`` and ``lost_records`` count what was overwritten before this reader came to
    it, ``damaged`` how often a block did not agree with its CRC.
    """

    def __init__(
        self,
        name: str,
        *,
        dtype: np.dtype[Any],
        device: str = "",
        backlog: bool = True,
        kept: threading.Event | None = None,
        mapped: MappedRing | None = None,
    ) -> None:
        """Open a ring; with ``backlog`` from the oldest block it holds, else from now on.

        With ``kept`` it is the reader that counts as keeping; set whenever something was kept.

        Raises
        ------
        RingError
            No such ring, or not one of ours.
        """
        self.name = name
        self.device = device
        self.dtype = dtype
        self.lost_blocks = 0
        self.lost_records = 0
        self.damaged = 0
        self._kept = kept
        self._mapped = mapped or MappedRing(attach_segment(name))
        self._own = mapped is None
        words = self._words = self._mapped.words
        if words[_W_MAGIC] != MAGIC or words[_W_VERSION] != VERSION:
            self.close()
            msg = f"shared memory {name} is not a ring of this version"
            raise RingError(msg)
        self._capacity = words[_W_CAPACITY]
        self._data = self._mapped.map_data(self._capacity) if self._own else self._mapped.data
        self._position = words[_W_TAIL] if backlog else words[_W_HEAD]
        # Until the first block is seen the cursor does not know what comes next.
        self._next: tuple[int, int] | None = (0, 0) if kept is not None else None

    def poll(self, *, max_blocks: int = 4096) -> list[Block]:
        """Blocks published since the last call, oldest first; possibly none. Never waits."""
        blocks: list[Block] = []
        retries = 0
        while len(blocks) < max_blocks:
            head = self._words[_W_HEAD]
            self._mapped.fence()
            if self._position >= head:
                break
            if (tail := self._words[_W_TAIL]) > self._position:
                self._position = tail
                continue
            found = self._read()
            if isinstance(found, Block):
                blocks.append(found)
                retries = 0
            elif found is None:
                retries += 1
                if retries > _RETRIES:
                    self.damaged += 1
                    self._position = head
                    retries = 0
        return blocks

    def mark_kept(self) -> None:
        """Note that all polled so far is safe: statistics of the ring count from here."""
        if self._kept is not None:
            if self._next is not None:
                self._words[_W_KEPT_SEQUENCE] = self._next[0]
            self._words[_W_KEPT] = self._position
            self._kept.set()

    def not_read(self) -> int:
        """Records published of which this reader has neither seen nor counted the loss.

        After the last block they are those that nothing comes after, so that no number of a
        later block shows that they are missing.
        """
        return 0 if self._next is None else self._words[_W_RECORDS] - self._next[1]

    def stats(self) -> RingStats:
        """How full the ring is, seen from what is kept."""
        return _stats(self._words)

    def close(self) -> None:
        """Let go of the memory; the ring itself stays. May be called twice."""
        if self._own:
            self._mapped.close()

    def __enter__(self) -> RingReader:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _read(self) -> Block | bool | None:
        """The block at the cursor; True after a skip or an overtaking; None if not whole."""
        at = self._position % self._capacity
        header = bytes(self._data[at : at + ALIGN])
        magic, crc, sequence, first, nbytes, n, *line = _HEADER.unpack(header)
        sane = magic in (_BLOCK, _SKIP) and at + ALIGN + nbytes <= self._capacity
        payload = bytes(self._data[at + ALIGN : at + ALIGN + nbytes]) if sane else b""
        self._mapped.fence()
        if self._words[_W_TAIL] > self._position:
            return True
        if not sane or zlib.crc32(payload, zlib.crc32(header[8:])) != crc:
            return None
        if magic == _SKIP:
            self._position += self._capacity - at
            return True
        gap, n = bool(n & _GAP), n & ~_GAP
        if nbytes != n * self.dtype.itemsize:
            return None
        if self._next is not None:
            self.lost_blocks += sequence - self._next[0]
            self.lost_records += first - self._next[1]
        self._next = (sequence + 1, first + n)
        self._position += _padded(ALIGN + nbytes)
        received_s, tick0, t0_s, s_per_tick = line
        return Block(
            device=self.device,
            sequence=sequence,
            first_record=first,
            received_s=received_s,
            line=TickLine(tick0, t0_s, s_per_tick),
            records=np.frombuffer(payload, dtype=self.dtype),
            gap_before=gap,
        )


def _padded(nbytes: int) -> int:
    return -(-nbytes // ALIGN) * ALIGN


def _pack(
    magic: int,
    sequence: int,
    first: int,
    n: int,
    payload: bytes,
    line: tuple[float, int, float, float],
) -> bytes:
    header = _HEADER.pack(magic, 0, sequence, first, len(payload), n, *line)
    crc = zlib.crc32(payload, zlib.crc32(header[8:]))
    return header[:4] + crc.to_bytes(4, "little") + header[8:]


def _stats(words: memoryview[int]) -> RingStats:
    capacity = words[_W_CAPACITY]
    return RingStats(
        capacity=capacity,
        used=min(words[_W_HEAD] - words[_W_KEPT], capacity),
        peak_used=words[_W_PEAK],
        dropped=words[_W_DROPPED],
        dropped_records=words[_W_DROPPED_RECORDS],
    )
