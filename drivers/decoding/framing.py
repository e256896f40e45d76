"""Hunting for frames in a byte stream, whatever cuts and garbage it comes with.

The hunt is the same for every binary protocol: find the sync, let the protocol judge the head,
take as many good frames as follow each other in one go, and after a bad one look again **one
byte on**, because a sync value may also be data. Where the stream is cut into chunks changes
nothing in what comes out.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from drivers.interface.driver_interface import Batch, Fault, FaultCause

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from drivers.interface.driver_interface import Layout

__all__ = ["NOT_A_FRAME", "BatchMaker", "FrameDecoder", "RecordDecoder"]

NOT_A_FRAME: Final = -1
_REPORT_EVERY_BYTES: Final = 65_536
"""A wrong line speed gives nothing but garbage: 6 s of it at 115 200 Bd make one fault, so that
it is known before the silence limit of a slow device, and does not flood the journal."""


class BatchMaker:
    """Collects what one chunk brings."""

    def __init__(self, dtype: np.dtype[Any], received_ns: int) -> None:
        self._dtype = dtype
        self._parts: list[NDArray[np.void]] = []
        self._faults: list[Fault] = []
        self.received_ns = received_ns
        self.count = 0
        """Records so far."""

    def add(self, records: NDArray[np.void]) -> None:
        """Append records."""
        self._parts.append(records)
        self.count += len(records)

    def fault(
        self, cause: FaultCause, detail: str, *, ahead: int = 0, lost: int = 0, dropped: int = 0
    ) -> None:
        """Note a fault before the record that comes ``ahead`` records from here."""
        fault = Fault(
            cause=cause,
            detail=detail,
            before_record=self.count + ahead,
            lost_records=lost,
            bytes_dropped=dropped,
        )
        self._faults.append(fault)

    def batch(self) -> Batch:
        """Finish."""
        if len(self._parts) == 1:
            records = self._parts[0]
        elif self._parts:
            records = np.concatenate(self._parts)
        else:
            records = np.empty(0, dtype=self._dtype)
        return Batch(records=records, received_ns=self.received_ns, faults=tuple(self._faults))


class RecordDecoder(ABC):
    """Bytes of one link into records; no port, no clock. Keeps count of what it dropped."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.good_frames = 0
        """Frames understood and accepted, ever; grows while the device is well."""
        self.refusal = ""
        """Why the last frame that was understood was not accepted."""
        self._pending = b""
        self._dropped = 0
        self._checksum_failed = False
        self._joined = False
        self._partial = 0

    @abstractmethod
    def feed(self, chunk: bytes, received_ns: int) -> Batch:
        """Decode the next bytes.

        Parameters
        ----------
        chunk : bytes
            Any cut of the stream; may be empty.
        received_ns : int
            Monotonic, when its last byte was in hand.

        Returns
        -------
        Batch
            Never raises for the content of the bytes; damage becomes faults.
        """

    def link_reopened(self) -> None:
        """Forget half a frame, but its size; ticks, counts and sequence go on."""
        self._partial += self.bytes_in_doubt
        self._pending = b""
        self._dropped = 0
        self._checksum_failed = False
        self._joined = False
        self.refusal = ""

    @property
    def bytes_in_doubt(self) -> int:
        """Bytes dropped or pending since the last good frame."""
        return self._dropped + len(self._pending)

    @property
    def unfinished_bytes(self) -> int:
        """Bytes of a frame whose end has not come."""
        return len(self._pending)

    def take_partial_bytes(self) -> int:
        """Bytes of frames cut by an opening or a loss of the link, since this was last asked."""
        taken, self._partial = self._partial, 0
        return taken

    def take_damage(self) -> tuple[FaultCause, str, int] | None:
        """What was dropped since the last good frame, at the end: cause, words, bytes."""
        dropped, self._dropped = self._dropped, 0
        return (*self._damage(dropped), dropped) if dropped else None

    def _drop(self, number: int, maker: BatchMaker) -> None:
        self._dropped += number
        while self._dropped >= _REPORT_EVERY_BYTES:
            cause, detail = self._damage(_REPORT_EVERY_BYTES)
            maker.fault(cause, f"{detail}; still none good", dropped=_REPORT_EVERY_BYTES)
            self._dropped -= _REPORT_EVERY_BYTES
            self._joined = True

    def _damage(self, dropped: int) -> tuple[FaultCause, str]:
        if self._checksum_failed:
            return FaultCause.CHECKSUM, f"bytes dropped: {dropped}, as a checksum did not agree"
        return FaultCause.GARBAGE, f"bytes dropped that belong to no frame: {dropped}"

    def _settle(self, frame_bytes: int) -> tuple[FaultCause, str, int] | None:
        """Account for what was dropped before a good frame: cause, words, bytes."""
        dropped, joined = self._dropped, self._joined
        cause, detail = self._damage(dropped)
        self._dropped, self._checksum_failed, self._joined = 0, False, True
        # Joining a running stream cuts a frame that began before we listened: nothing of ours.
        if not joined and dropped < frame_bytes:
            self._partial += dropped
            return None
        if not dropped:
            return None
        return cause, detail, dropped


class FrameDecoder(RecordDecoder):
    """A decoder of binary frames that begin with a fixed sync."""

    SYNC: bytes

    @abstractmethod
    def _frame_bytes(self, buffer: bytes, at: int) -> int:
        """Size of the frame whose sync is at ``at``: 0 needs more bytes, or NOT_A_FRAME."""

    @abstractmethod
    def _take_run(self, buffer: bytes, at: int, size: int, maker: BatchMaker) -> int:
        """Take the good frames that follow each other from ``at``; give the bytes used.

        0: the checksum of the first one is wrong. The first frame is whole.
        """

    def _is_false_start(self, buffer: bytes, at: int) -> bool:  # noqa: ARG002 - for subclasses
        """Whether the unfinished frame at ``at`` is already known to be none."""
        return False

    def feed(self, chunk: bytes, received_ns: int) -> Batch:
        """Decode the next bytes; see :meth:`RecordDecoder.feed`."""
        maker = BatchMaker(self.layout.dtype, received_ns)
        buffer = self._pending + chunk
        self._pending = buffer[self._hunt(buffer, maker) :]
        return maker.batch()

    def _hunt(self, buffer: bytes, maker: BatchMaker) -> int:
        """Give how many bytes are done with."""
        at = 0
        while True:
            found = buffer.find(self.SYNC, at)
            if found < 0:
                # The last bytes may be the beginning of a sync.
                end = max(at, len(buffer) - len(self.SYNC) + 1)
                self._drop(end - at, maker)
                return end
            self._drop(found - at, maker)
            at = found
            size = self._frame_bytes(buffer, at)
            if size == 0:
                return at
            if size == NOT_A_FRAME:
                taken = 0
            elif at + size > len(buffer):
                if not self._is_false_start(buffer, at):
                    return at
                taken = 0
                self._checksum_failed = True
            else:
                taken = self._take_run(buffer, at, size, maker)
                self._checksum_failed |= taken == 0
            if taken == 0:
                self._drop(1, maker)
                taken = 1
            at += taken
