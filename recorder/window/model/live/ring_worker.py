"""The worker that looks at the rings: the window's own thread never touches them."""

from __future__ import annotations

import queue
import threading
from typing import TYPE_CHECKING, Any, Final

from calibration.quantities.printable import error_line
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.journal_rows import Cursor
from recorder.window.model.trace.trace_chunk import ChunkMaker, TraceChunk

if TYPE_CHECKING:
    from recorder.acquisition.control.client import LiveSession
    from recorder.run.checks.zero_line import Zero

__all__ = ["RingWorker"]

POLL_S: Final = 0.02
"""Devices that send often are read every forty milliseconds: twice as often is soon enough."""
MOST_WAITING: Final = 400
"""A window that hangs leaves the rest in the ring; what is overwritten there is counted."""
MOST_BLOCKS: Final = 4096
"""Of one ring in one look."""
_LOOK_BYTES: Final = 1 << 18
_LOOKS: Final = 20


class RingWorker:
    """Polls every ring, calibrates, and hands chunks over in :attr:`chunks`.

    :meth:`step` does one round and may be called without a thread; :meth:`start` runs it.
    """

    def __init__(self, session: LiveSession, *, poll_s: float = POLL_S) -> None:
        self.chunks: queue.SimpleQueue[TraceChunk] = queue.SimpleQueue()
        self.problem = ""
        """Why traces are not whole, or stopped; empty while all is well."""
        self.caught_up = threading.Event()
        """Set once a look emptied every ring: what a window that attaches late has to make up for
        is in :attr:`chunks`, or was."""
        self._broken = False
        self._session = session
        self._poll_s = poll_s
        self._stop = threading.Event()
        self._zeros_seen: set[tuple[str, float, int]] = set()
        self._new_zeros: queue.SimpleQueue[tuple[Zero, ...]] = queue.SimpleQueue()
        self._maker = ChunkMaker(session.header)
        wheels = {
            d.name
            for d in session.header.devices
            if any(c.quantity == "distance" and c.measures for c in d.channels)
        }
        readers = session.readers()
        # The wheel first: the others are placed on the paper by it.
        self._readers = {n: readers[n] for n in sorted(readers, key=lambda n: n not in wheels)}
        self._lost = dict.fromkeys(readers, 0)
        self._unseen_wheels = wheels
        self._thread: threading.Thread | None = None

    def note_zeros(self, zeros: tuple[Zero, ...]) -> None:
        """The zeros that hold now, one a channel; taken up before the next look."""
        named = {(zero.channel, zero.t_s, zero.revision) for zero in zeros}
        if named != self._zeros_seen:
            self._zeros_seen = named
            self._new_zeros.put(zeros)

    def step(self) -> int:
        """One look at every ring; returns how many records came. Does not raise."""
        if self._broken:
            return 0
        try:
            return self._look()
        except Exception as bug:  # noqa: BLE001 - shown on the screen; the recording goes on
            self.problem = f"traces stopped: {type(bug).__name__}: {bug}"
            self._broken = True
            self.caught_up.set()  # there is nothing to wait for
            return 0

    def _look(self) -> int:
        while not self._new_zeros.empty():
            self._maker.hold_zeros(self._new_zeros.get())
        n, all_read = 0, True
        if self.chunks.qsize() >= MOST_WAITING:
            return 0
        for name, reader in self._readers.items():
            blocks = reader.poll(max_blocks=MOST_BLOCKS)
            if not blocks:
                continue
            all_read &= len(blocks) < MOST_BLOCKS
            if name in self._unseen_wheels:
                self._unseen_wheels.discard(name)
                if blocks[0].first_record > 0:
                    self._find_wheel_start(name)
            lost, self._lost[name] = reader.lost_blocks - self._lost[name], reader.lost_blocks
            chunk = self._maker.make(name, blocks, lost=lost)
            if chunk is not None:
                n += len(chunk.time_s)
                self.chunks.put(chunk)
        if all_read:
            self.caught_up.set()
        return n

    def _find_wheel_start(self, device: str) -> None:
        """Distance is counted from the run's first record: read it from the journal."""
        try:
            with JournalReader(self._session.journal_path) as journal:
                cursor = Cursor()
                for _ in range(_LOOKS):
                    for batch in journal.read_new(cursor, chunk_bytes=_LOOK_BYTES).batches:
                        for block in batch.blocks if batch.device == device else ():
                            if len(block.records):
                                at = float(block.time_s()[0])
                                self._maker.start_wheel(device, block.records[:1], at)
                                return
        except (OSError, ValueError) as error:
            why = error_line(error)
            self.problem = f"distance is counted from the moment this window was opened ({why})"

    def start(self) -> None:
        """Run :meth:`step` in a thread of its own until :meth:`close`."""
        self._thread = threading.Thread(target=self._run, name="window rings", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set() and not self._broken:
            self.step()
            self._stop.wait(self._poll_s)

    def close(self) -> None:
        """Stop the thread and let go of the rings."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=5.0)
        for reader in self._readers.values():
            reader.close()

    def __enter__(self) -> RingWorker:
        return self

    def __exit__(self, *exc: Any) -> None:  # noqa: ANN401 - the protocol's own
        self.close()
