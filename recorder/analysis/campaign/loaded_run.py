"""One run, ready to be answered for, and where its figures come from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from recorder.analysis.uncertainty.run_basis import RunBasis

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from calibration.certificates.certificate import Certificate
    from recorder.analysis.plausibility.doubt import Checked, Doubt
    from recorder.analysis.series.corrections import Switches
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch_edits import StretchEdit
    from recorder.analysis.uncertainty.field_checks import RunFieldChecks
    from recorder.exchange.description import RunDescription
    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import RunHeader
    from recorder.run.values.certificate_standing import Standings
    from recorder.sheets import CarSheet, TripSheet
    from recorder.track.placing.placement import Placement
    from recorder.track.route.route import Route

__all__ = ["LoadedRun", "Provenance"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where the figures of one run come from."""

    path: Path
    header: RunHeader
    description: RunDescription
    field_checks: RunFieldChecks
    placement: Placement | None
    """On the run's route; ``None`` when the run was not placed."""
    edits: tuple[StretchEdit, ...] = ()
    """Stretch edits kept in the companion."""
    mended: tuple[str, ...] = ()
    """How the companion was made anew of a damaged one, in words."""
    units: str = "metric"
    """Of the car sheet."""
    car: CarSheet | None = None
    certificates: Mapping[str, Certificate] = field(default_factory=dict)
    """By the name channels use."""
    standings: Standings = field(default_factory=dict)
    """How each certificate stands: whose it is, whether its figures follow, who issued it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedRun(RunBasis):
    """One run on its grid, with its sheets, line and provenance."""

    switches: Switches
    """Corrections that were applied."""
    specification: Specification | None
    trip: TripSheet | None
    route: Route | None
    """The one the run was placed on."""
    gaps: tuple[Gap, ...]
    duration_s: float
    provenance: Provenance
    checks: tuple[Checked, ...] = ()
    """What was asked of the record before any figure is believed, with the crew's answers."""
    notes: tuple[str, ...] = ()
    """What the run cannot show, and what was assumed instead."""

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What contradicts the record, with the crew's answers."""
        return tuple(c.doubt for c in self.checks if c.doubt is not None)

    @property
    def run_id(self) -> str:
        """Of the recording: two copies of a file have the same."""
        return self.provenance.header.run_id
