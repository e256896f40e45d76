"""Gaps: data that is lost, damaged or late, with its extent and its cause."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from recorder.run.parts.event import Event, EventKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

__all__ = ["Cause", "Gap", "gaps_of"]

MOST: Final = 2**63 - 1
"""That journal and run file count to, with 64 bits and a sign."""


class Cause(StrEnum):
    """Why data is missing. Journal and run file hold these words; drivers have those they can
    see (``drivers.interface.driver_interface.FaultCause``)."""

    CHECKSUM = "checksum"
    LOST_FRAMES = "lost frames"
    GARBAGE = "garbage"
    DEVICE_RESTARTED = "device restarted"
    COUNTER_RESTARTED = "counter restarted"
    REFUSED = "refused"
    """Understood by the driver, and not acceptable."""
    LINK_LOST = "link lost"
    SILENT = "silent"
    """Nothing came for longer than the device usually pauses, and no fault says why."""
    HANGS = "hangs"
    """The port did not give a read back, not even at the stop."""
    CANNOT_KEEP_UP = "cannot keep up"
    """Bytes came faster than they were read, and some were lost."""
    RING_OVERRUN = "ring overrun"
    RING_DAMAGED = "ring damaged"
    """Records in shared memory did not agree with their check when they were to be kept."""
    JOURNAL_DAMAGED = "journal damaged"
    OTHER = "other"
    """A word this version does not know; it stands at the head of the detail."""

    @property
    def restarts_count(self) -> bool:
        """Whether ticks or counts begin anew after it: nothing is reckoned across."""
        return self in (Cause.DEVICE_RESTARTED, Cause.COUNTER_RESTARTED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Lost, damaged or late data: its extent and cause. Never bridged silently."""

    device: str
    t_start_s: float
    """Run time of the last good sample before, or where the trouble was met."""
    t_end_s: float
    """Run time of the first good sample after, or of the stop when none came."""
    cause: Cause
    detail: str = ""
    lost_records: int = 0
    """Records known to be missing; 0 when the number cannot be known."""
    before_record: int = 0
    """Index, in the whole run's records of this device, of the first record after the gap."""

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Gap:
        """The gap of an event's data, or of a stored table.

        Raises
        ------
        TypeError, ValueError, KeyError
            The data are not a gap's.
        """
        word, detail = str(data["cause"]), str(data.get("detail", ""))
        try:
            cause = Cause(word)
        except ValueError:
            cause = Cause.OTHER
            detail = f"{word}: {detail}" if detail else word
        return cls(
            device=str(data["device"]),
            t_start_s=_instant(data, "t_start_s"),
            t_end_s=_instant(data, "t_end_s"),
            cause=cause,
            detail=detail,
            lost_records=_count(data, "lost_records"),
            before_record=_count(data, "before_record"),
        )

    def to_event(self) -> Event:
        """The gap as the event that journal and run file keep."""
        return Event(kind=EventKind.GAP, t_s=self.t_end_s, data=asdict(self))


def _instant(data: Mapping[str, Any], name: str) -> float:
    try:
        t_s = float(data[name])
    except OverflowError:
        t_s = math.inf
    if not math.isfinite(t_s):
        msg = f"{name} of a gap is {t_s}, a finite number is allowed"
        raise ValueError(msg)
    return t_s


def _count(data: Mapping[str, Any], name: str) -> int:
    held = data.get(name, 0)
    try:
        n = int(held)
    except OverflowError:
        n = -1
    if not 0 <= n <= MOST:
        msg = f"{name} of a gap is {held!r:.60}, 0 to {MOST} is allowed"
        raise ValueError(msg)
    return n


def gaps_of(events: Iterable[Event]) -> list[Gap]:
    """The gaps among events, in the order given."""
    return [Gap.from_dict(event.data) for event in events if event.kind == EventKind.GAP]
