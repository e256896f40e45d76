"""The state of a running recording, as it goes over the control channel and into the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final

from recorder.acquisition.ring.ring import RingStats
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.event import Event
from recorder.run.parts.states import DeviceState, FilerState, RunState

__all__ = ["UNHEARD", "ClockStatus", "DeviceStatus", "KeepingStatus", "SessionStatus"]

UNHEARD: Final = "not worked out yet"
STALLED_S: Final = 1.0
"""A commit takes some hundredths of a second: after so long what comes is not being kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceStatus:
    """One device, now."""

    name: str
    state: DeviceState
    records: int
    rate_hz: float
    """Records per second over the last second or two."""
    expected_hz: float | None
    age_s: float | None
    """Time since the last record was in hand; None before the first."""
    gaps: int
    lost_records: int
    last_fault: str
    """As text; empty while there was none."""
    last_fault_t_s: float | None
    ring: RingStats
    unsound: tuple[str, ...] = ()
    """What is wrong with its channels now, in words; empty when nothing is known to be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStatus:
    """What is known of UTC now."""

    known: bool = False
    u_s: float | None = None
    """Standard uncertainty; None while UTC is not known."""
    words: str = UNHEARD
    """Why it is known no better, or not at all; empty when all witnesses agree."""
    contradicted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepingStatus:
    """Whether what comes is being kept, now."""

    waiting_s: float = 0.0
    """For how long the commit that is due has been tried."""
    why: str = ""
    """Why it failed the last time; empty where it has not: the disk does not answer."""
    room_s: float | None = None
    """For how long the rings can still hold what comes, the fullest of them; None: not known."""
    device: str = ""
    """Whose ring that is."""
    marks: int = 0
    """Marks keyed and not kept yet."""

    @property
    def stalled(self) -> bool:
        """Nothing is being kept."""
        return self.waiting_s >= STALLED_S

    @property
    def words(self) -> str:
        """That nothing is being kept, since when, and how long the rings hold; else empty."""
        if not self.stalled:
            return ""
        room = "" if self.room_s is None else f"; room for {self.room_s:.0f} s more"
        why = self.why or "the disk does not answer"
        return f"nothing kept for {self.waiting_s:.0f} s ({why}){room}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionStatus:
    """The whole recording, now."""

    state: RunState
    t_s: float
    """Run time."""
    utc_ns: int
    """Wall clock of the machine."""
    devices: Mapping[str, DeviceStatus] = field(default_factory=dict)
    marks: int = 0
    """Marks taken, all revisions."""
    zeros: tuple[Zero, ...] = ()
    """Of each force channel the zero last accepted."""
    filer: FilerState = FilerState.RUNNING
    filed: Mapping[str, int] = field(default_factory=dict)
    """Device → records in the run file and synced to the disk, as the filer last reported."""
    warnings: tuple[str, ...] = ()
    """For the crew, in words; the most pressing first."""
    disk_free_bytes: int = 0
    disk_hours_left: float | None = None
    """At the rate of the last minute; None before it is known."""
    rss_bytes: int = 0
    keep_s: float = 0.0
    """Longest commit of the last seconds."""
    dropped_records: int = 0
    clock: ClockStatus = ClockStatus()
    keeping: KeepingStatus = KeepingStatus()

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        zeros = [asdict(zero.to_event()) for zero in self.zeros]
        return {**asdict(replace(self, zeros=())), "zeros": zeros}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> SessionStatus:
        """Inverse of :meth:`to_dict`.

        Raises
        ------
        TypeError, KeyError, ValueError
            Not a status; a state that is none.
        """
        known: dict[str, Any] = {
            "state": RunState(data["state"]),
            "filer": FilerState(data["filer"]),
            "devices": {name: _device(row) for name, row in data["devices"].items()},
            "warnings": tuple(data["warnings"]),
            "clock": ClockStatus(**data["clock"]),
            "keeping": KeepingStatus(**data["keeping"]),
            "zeros": tuple(Zero.from_event(Event(**row)) for row in data["zeros"]),
        }
        return cls(**{**data, **known})


def _device(row: Mapping[str, Any]) -> DeviceStatus:
    known = {
        "state": DeviceState(row["state"]),
        "ring": RingStats(**row["ring"]),
        "unsound": tuple(row["unsound"]),
    }
    return DeviceStatus(**{**row, **known})
