"""What state a run, a device, its link and the filer are in, from recording process to lamp.

As JSON each is its own word; it is read back once, where a message comes in, and refused there
when the word is none of these.
"""

from __future__ import annotations

from enum import StrEnum

__all__ = ["DeviceState", "FilerState", "LinkState", "RunState"]


class RunState(StrEnum):
    """How far a recording is."""

    OPENING = "opening"
    """Ports, journal and control channel are being made."""
    ZERO = "zero"
    """The zero is being taken, before the run or at its end."""
    RECORDING = "recording"
    STOPPING = "stopping"
    """Devices are being closed; the last records are on their way to the journal."""
    SEALING = "sealing"
    """The journal is closed; the run file is being finished and checked."""
    ENDED = "ended"

    @property
    def takes_marks(self) -> bool:
        """Whether a mark keyed now can be kept: as long as the journal is open."""
        return self not in (RunState.SEALING, RunState.ENDED)

    @property
    def is_ending(self) -> bool:
        """Whether the end of the run has begun: a lost recording is then no fault."""
        return self in (RunState.STOPPING, RunState.SEALING, RunState.ENDED)


class DeviceState(StrEnum):
    """What comes from a device."""

    RUNNING = "running"
    QUIET = "quiet"
    """Open, but nothing came for a while."""
    LOST = "lost"
    """The link is gone and is being opened again."""


class LinkState(StrEnum):
    """What became of a device's link, as events of the run tell it."""

    LOST = "lost"
    BACK = "back"
    CANNOT_KEEP_UP = "cannot keep up"
    """Bytes come faster than they are read."""
    KEEPS_UP_AGAIN = "keeps up again"
    CLOSING_FAILED = "closing failed"


class FilerState(StrEnum):
    """Whether the run file is being written; the journal goes on regardless."""

    RUNNING = "running"
    RESTARTED = "restarted"
    """It died once and files again, from the journal's first row."""
    DEAD = "dead"
