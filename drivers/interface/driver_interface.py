"""What a driver hands on: raw records exactly as they came, and what was damaged.

Raw integers that wrap on the wire are widened to 64 bits so that their low bits are the bits
that came: ``tick & 0xFFFFFFFF`` is the tick of the frame.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "Backlog",
    "Batch",
    "DeviceDriver",
    "DriverDescription",
    "Fault",
    "FaultCause",
    "Layout",
    "Rest",
    "Role",
]


class Role(StrEnum):
    """What a device measures, whatever protocol it speaks."""

    FORCE = "force"
    """Counts of a bridge amplifier, one or more channels."""
    WHEEL = "wheel"
    """Pulses of a measuring wheel."""
    RECEIVER = "receiver"
    """Position and UTC of a navigation receiver."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverDescription:
    """What a driver is, known before any setting."""

    role: Role
    usual_hz: float
    """Records a second of an ordinary device of this kind."""
    host_clock: bool
    """Its ticks are this machine's monotonic nanoseconds, not a clock of the device."""
    usual_pause_s: float = 0.0
    """Longest usual time between two of its records, where it sends in bursts; 0 where not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The shape of one device's records."""

    dtype: np.dtype[Any]
    """Structured; the first field is ``tick`` (``<u8``), unwrapped device ticks."""
    tick_hz: float
    """Nominal device ticks per second."""


class FaultCause(StrEnum):
    """Causes of lost or damaged data that a driver can see."""

    CHECKSUM = "checksum"
    LOST_FRAMES = "lost frames"
    GARBAGE = "garbage"
    DEVICE_RESTARTED = "device restarted"
    COUNTER_RESTARTED = "counter restarted"
    REFUSED = "refused"
    """Understood, but not acceptable."""
    CANNOT_KEEP_UP = "cannot keep up"
    """Damaged or lost while bytes came faster than they were read."""

    @property
    def restarts_count(self) -> bool:
        """Whether a tick or count after it has nothing to do with the one before."""
        return self in (FaultCause.DEVICE_RESTARTED, FaultCause.COUNTER_RESTARTED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something lost or damaged, with its extent as far as it is known."""

    cause: FaultCause
    detail: str
    """In words, for the crew."""
    before_record: int
    """Index in the batch's records before which it happened (0 … n)."""
    lost_records: int = 0
    """Records known to be missing; 0 when the number cannot be known."""
    bytes_dropped: int = 0
    """Bytes that came and became no record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Backlog:
    """Bytes come faster than they are read: an episode that begins, or is over."""

    over: bool
    lasted_s: float
    """So far."""
    most_bytes: int
    """That waited at the port."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What one read brought."""

    records: NDArray[np.void]
    """(n,) in the device's layout, in order of arrival; n may be 0."""
    received_ns: int
    """Monotonic, when the last byte of the last record was in hand."""
    faults: tuple[Fault, ...] = field(default=())
    partial_bytes: int = 0
    """Of frames half sent when the port was opened, or when the link was lost: no fault, and no
    record either."""
    backlog: Backlog | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """What a device had sent by the end of the reading, and has become no record."""

    batches: tuple[Batch, ...]
    """Of the bytes that had come and had not been read, in order; at the end of the last one
    what was damaged since the last good frame."""
    cut_bytes: int
    """Of a frame half sent."""


class DeviceDriver(Protocol):
    """One opened device. ``read`` and ``close`` are called by one thread only."""

    device_id: str
    layout: Layout

    def read(self) -> Batch:
        """Wait for the next records, at most one read timeout.

        Returns
        -------
        Batch
            Possibly with no record while bytes trickle in.

        Raises
        ------
        LinkLostError
            Nothing came for the silence limit, or the port is gone.
        """
        ...

    def drain(self) -> Rest:
        """Read what has come by now, without waiting: once, before or after the closing.

        Raises
        ------
        LinkLostError
            The port is gone; closed, it still gives what was in hand.
        """
        ...

    def close(self) -> None:
        """Close the port; may be called twice."""
        ...
