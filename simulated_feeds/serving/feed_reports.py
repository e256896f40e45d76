"""What a feed or a replay reports: ports and sheets, its beginning, its end.

As JSON each is one line with the word ``event``: ``ready``, ``started``, ``ended``, ``failed``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final, Self, TypeAlias

from recorder.machine.child_reports import Report, ReportTable
from simulated_feeds.serving.ports import PortStats

__all__ = [
    "FEED_REPORTS", "FeedEnded", "FeedFailed", "FeedReady", "FeedReport", "FeedReporter",
    "FeedStarted",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedReady(Report):
    """The ports are there and wait for their readers."""

    pid: int
    ports: dict[str, str]
    """Device → address."""
    sheets: dict[str, str]
    """``car``, ``trip`` and whatever else was written, by name."""
    folder: str
    seed: int | None = None
    """Of a simulated train."""
    run: str = ""
    """Of a replay: the run file, and the run's identity."""
    run_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedStarted(Report):
    """The devices have begun."""

    simulated0_monotonic_ns: int
    """Monotonic instant of simulated time 0."""
    utc0_ns: int | None = None
    """UTC then, in the world of a simulated train."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedEnded(Report):
    """What became of every frame."""

    began: bool
    """Whether the devices ever began."""
    simulated_s: float
    """Simulated time given out."""
    frames: dict[str, PortStats]
    """By device."""
    worst_late_ms: float
    complete: bool
    """Whether all there was went out; a feed without an end has never more to give."""

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Self:
        """Inverse of ``to_fields``."""
        frames = {name: PortStats(**row) for name, row in fields["frames"].items()}
        return cls(**{**fields, "frames": frames})

    def to_fields(self) -> dict[str, Any]:
        """JSON-ready."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class FeedFailed(Report):
    """It cannot run; one line."""

    error: str


FeedReport: TypeAlias = FeedReady | FeedStarted | FeedEnded | FeedFailed
FeedReporter: TypeAlias = Callable[[FeedReport], None]

FEED_REPORTS: Final[ReportTable[FeedReport]] = ReportTable(
    {"ready": FeedReady, "started": FeedStarted, "ended": FeedEnded, "failed": FeedFailed},
    tag="event",
)
