"""What a recording reports while it runs, to whoever started it; the run itself keeps all."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Self, TypeAlias

from recorder.acquisition.control.status import SessionStatus
from recorder.acquisition.preparation.settings import Outcome
from recorder.keeping.filer_reports import SealProgress
from recorder.machine.child_reports import Report, ReportTable
from recorder.run.parts.gap import Gap

__all__ = [
    "RECORDING_REPORTS", "CheckReport", "Done", "GapReport", "Progress", "RecordingReport",
    "Refused", "Reporter", "SealProgress", "SessionOpen", "Started", "Stopping", "Swept",
    "Warned", "ZeroBegins",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Swept(Report):
    """Something that a recording that died left behind was removed."""

    text: str


@dataclass(frozen=True, slots=True)
class SessionOpen(Report):
    """Windows can attach."""

    path: Path
    """The session file."""

    def to_fields(self) -> dict[str, Any]:
        """JSON-ready."""
        return {"path": str(self.path)}

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Self:
        """Inverse."""
        return cls(Path(fields["path"]))


@dataclass(frozen=True, slots=True)
class ZeroBegins(Report):
    """The zero is being taken, train at rest and coupler slack."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Started(Report):
    """Run time 0 has passed."""

    run: str
    """Run file."""


@dataclass(frozen=True, slots=True)
class Progress(Report):
    """Once a second."""

    status: SessionStatus

    def to_fields(self) -> dict[str, Any]:
        """JSON-ready."""
        return {"status": self.status.to_dict()}

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Self:
        """Inverse."""
        return cls(SessionStatus.from_dict(fields["status"]))


@dataclass(frozen=True, slots=True)
class GapReport(Report):
    """Data were lost."""

    gap: Gap

    def to_fields(self) -> dict[str, Any]:
        """JSON-ready."""
        return asdict(self.gap)

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Self:
        """Inverse."""
        return cls(Gap.from_dict(fields))


@dataclass(frozen=True, slots=True)
class Warned(Report):
    """Something the crew must know."""

    text: str


@dataclass(frozen=True, slots=True)
class CheckReport(Report):
    """A zero or shunt check came out well."""

    text: str


@dataclass(frozen=True, slots=True)
class Stopping(Report):
    """The end has begun."""

    reason: str


@dataclass(frozen=True, slots=True)
class Refused(Report):
    """It could not begin; one line each."""

    problems: tuple[str, ...]

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Self:
        """Inverse."""
        return cls(tuple(fields["problems"]))


@dataclass(frozen=True, slots=True)
class Done(Report):
    """How it ended."""

    outcome: Outcome

    def to_fields(self) -> dict[str, Any]:
        """JSON-ready."""
        return self.outcome.to_dict()

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Self:
        """Inverse."""
        return cls(Outcome.from_dict(fields))


RecordingReport: TypeAlias = (
    Swept | SessionOpen | ZeroBegins | Started | Progress | GapReport | Warned | CheckReport
    | Stopping | SealProgress | Refused | Done
)  # fmt: skip

RECORDING_REPORTS: Final[ReportTable[RecordingReport]] = ReportTable(
    {
        "swept": Swept,
        "session": SessionOpen,
        "zero_begins": ZeroBegins,
        "started": Started,
        "progress": Progress,
        "gap": GapReport,
        "warning": Warned,
        "check": CheckReport,
        "stopping": Stopping,
        "sealing": SealProgress,
        "refused": Refused,
        "done": Done,
    }
)


Reporter: TypeAlias = Callable[[RecordingReport], None]
"""Hears what happens. Must not wait; a closed pipe or screen costs no thread."""
