"""What to record, where, and for how long; and what can keep a recording from beginning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from recorder.sheets.recording import LONGEST_ZERO_S

__all__ = ["Outcome", "RecordingError", "RecordingSettings"]


class RecordingError(ValueError):
    """A recording that cannot begin; one line: what, where, what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingSettings:
    """How one recording is made. Checked on construction."""

    car_sheet: Path
    trip_sheet: Path
    out: Path
    seconds: float | None = None
    """Run time at which to stop; None records until it is stopped."""
    zero_seconds: float | None = None
    """How long the zero is taken before the run; None is as the car sheet says."""
    zero_after: float = 0.0
    """How long a zero is taken at the end of the run, train at rest; 0 takes none."""
    until_quiet_s: float | None = None
    """Stop when nothing came from any device for so long (a replayed run that ends)."""
    allow_expired: bool = False
    allow_network_disk: bool = False
    ring_bytes: int | None = None
    """Of each device's ring; None is as long as a disk may stall, at the device's rate."""

    def __post_init__(self) -> None:
        for name, low, high in (
            ("seconds", 0.0, 1e7),
            ("zero_seconds", 0.0, LONGEST_ZERO_S),
            ("zero_after", 0.0, LONGEST_ZERO_S),
            ("until_quiet_s", 0.1, 86400.0),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                msg = f"{name} must be from {low:g} to {high:g}, got {value!r}"
                raise RecordingError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a recording ended."""

    run_path: Path
    reason: str
    duration_s: float
    records: dict[str, int]
    gaps: int
    lost_records: int
    partial_bytes: dict[str, int]
    """Of frames half sent when a port was opened, or its link lost."""
    cut_bytes: dict[str, int]
    """Of a frame half sent at the stop."""
    marks: int
    sealed: bool
    problem: str = ""
    """What went wrong, in one line; empty when nothing did."""
    internal_error: bool = False
    """It was a mistake of this program."""
    unsigned: str = ""
    """Why the run could not be signed, in one line, where it should have been; else empty."""
    warnings: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 done, 1 not sealed (the journal is kept) or not signed though it should be, 2 stopped
        by a fault or internal error."""
        if not self.sealed and not self.internal_error:
            return 1
        if self.problem:
            return 2
        return 1 if self.unsigned else 0

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {**asdict(self), "run_path": str(self.run_path)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Outcome:
        """Inverse of :meth:`to_dict`; raises ``TypeError``, ``KeyError`` on anything else."""
        made = {**data, "run_path": Path(data["run_path"]), "warnings": tuple(data["warnings"])}
        return cls(**made)
