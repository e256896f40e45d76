"""What the filer reports to the recording process, and the orders it takes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, TypeAlias

from recorder.machine.child_reports import Report, ReportTable

__all__ = [
    "FILER_REPORTS", "Filed", "FilerFailed", "FilerOrder", "FilerReport", "SealProgress", "Sealed",
]  # fmt: skip


class FilerOrder(StrEnum):
    """An order to the filer; the end of orders means STOP."""

    STOP = "stop"
    """File what is committed, close the file, not sealed."""
    SEAL = "seal"
    """File the rest, seal, check, remove the journal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed(Report):
    """What is in the run file and synced to the disk."""

    records: dict[str, int]
    """By device."""
    rows: int
    """Highest batch row of the journal that is in the file."""
    damaged: int
    """Rows of the journal that could not be believed."""


@dataclass(frozen=True, slots=True)
class SealProgress(Report):
    """How far the seal is."""

    part: float
    """0 to 1."""
    what: str


@dataclass(frozen=True, slots=True)
class Sealed(Report):
    """Sealed, checked, the journal removed."""

    unsigned: str = ""
    """Why it could not be signed, where it should have been."""


@dataclass(frozen=True, slots=True)
class FilerFailed(Report):
    """The run file could not be written or sealed; the journal has everything."""

    why: str
    bug: bool = False
    """By a mistake in this program."""


FilerReport: TypeAlias = Filed | SealProgress | Sealed | FilerFailed

FILER_REPORTS: Final[ReportTable[FilerReport]] = ReportTable(
    {"filed": Filed, "sealing": SealProgress, "sealed": Sealed, "failed": FilerFailed}
)
