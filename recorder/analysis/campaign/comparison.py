"""Runs side by side: by speed band, and by section between mileposts they share.

Every later run is compared with the first. Causes that the runs share (one certificate, one
wheel) cancel in the difference; what differs from run to run (zero, random) does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.campaign.answer import AnswerSettings, answer
from recorder.analysis.campaign.crew_edits import edits_for
from recorder.analysis.campaign.loading import load_runs
from recorder.analysis.series.sections import sections_between_marks, sections_on_route
from recorder.analysis.series.train import Side
from recorder.analysis.specification.bands import Band, speed_bands
from recorder.analysis.specification.conditions import rail_of
from recorder.analysis.uncertainty.causes import Extent
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.stretch_means import corrected_pull, mean_pull, mean_speed
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from recorder.analysis.campaign.run_answer import RunAnswer
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.run.parts.progress import Progress
    from recorder.sheets import TripSheet

__all__ = [
    "BandDifference",
    "BandRow",
    "Comparison",
    "SectionDifference",
    "SectionFigures",
    "SectionRow",
    "compare_bands",
    "compare_files",
]

WHOLE: Final = 0.9
"""Share of a section that must have data to be compared: half a section is not the section."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandDifference:
    """One run against the first, in one band."""

    run: str
    pull: Measured
    """Equivalent pull less the first run's, kN."""
    power: Measured
    """Equivalent power less the first run's, kW."""
    per_cent: Measured
    """Pull difference as a share of the first run's pull."""

    @property
    def significant(self) -> bool:
        """Zero lies outside the expanded uncertainty of the pull difference."""
        return _significant(self.pull)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandRow:
    """One speed band that at least two of the runs have."""

    reference: Band
    differences: tuple[BandDifference, ...]
    rail: str = ""
    """The rail it was on, where the runs have several."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionFigures:
    """Means over one section, or their differences."""

    pull: Measured
    """kN"""
    equivalent_pull: Measured
    """kN"""
    speed: Measured
    """m/s"""

    def minus(self, other: SectionFigures) -> SectionFigures:
        """Differences; common causes cancel."""
        return SectionFigures(
            pull=self.pull.minus(other.pull),
            equivalent_pull=self.equivalent_pull.minus(other.equivalent_pull),
            speed=self.speed.minus(other.speed),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionDifference:
    """One run against the first, in one section."""

    run: str
    figures: SectionFigures

    @property
    def significant(self) -> bool:
        """Zero lies outside the expanded uncertainty of the equivalent pull's difference."""
        return _significant(self.figures.equivalent_pull)


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionRow:
    """One section that at least two of the runs ran over."""

    section: str
    reference: SectionFigures
    differences: tuple[SectionDifference, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Every later run against the first."""

    runs: tuple[RunAnswer, ...]
    bands: tuple[BandRow, ...]
    sections: tuple[SectionRow, ...]
    notes: tuple[str, ...]


def compare_files(
    paths: Sequence[Path],
    settings: AnswerSettings,
    *,
    trip: TripSheet | None = None,
    route: Path | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Load run files and compare every later run with the first.

    Raises
    ------
    ValueError, OSError
        Fewer than two runs, or one that cannot be used.
    """
    runs = load_runs(
        paths, trip=trip, route=route, switches=settings.switches, progress=progress
    )
    worked = answer(runs, replace(settings, edits=edits_for(runs, None)))
    notes: list[str] = []
    held = [(r.loaded.name, r.results) for r in worked.runs]
    bands = compare_bands(held, settings.band_m_s, notes)
    if not bands:
        notes.append("no speed band has admitted test sections of two runs on like rail")
    notes += worked.notes
    sections = _compare_sections(worked.runs, notes)
    return Comparison(runs=worked.runs, bands=bands, sections=sections, notes=tuple(notes))


def compare_bands(
    runs: Sequence[tuple[str, Sequence[StretchResult]]],
    width_m_s: float,
    notes: list[str] | None = None,
) -> tuple[BandRow, ...]:
    """Compare every later run with the first, band by band, like with like.

    ``runs`` are names and stretches: only admitted ones are compared, dry rail with dry and wet
    with wet. What has nothing like it in the other run is added to the notes.

    Raises
    ------
    ValueError
        Fewer than two runs.
    """
    if len(runs) < 2:
        msg = f"comparing wants at least two runs, got {len(runs)}"
        raise ValueError(msg)
    (first, reference), *others = [
        (name, [r for r in results if r.admission.admitted]) for name, results in runs
    ]
    told = [] if notes is None else notes
    rails = list(dict.fromkeys(rail_of(r) for r in reference))
    for name, results in others:
        told += _unlike(first, reference, name, results)
    rows: list[BandRow] = []
    for rail in rails:
        like = [(name, _on(results, rail)) for name, results in others]
        rows += _rows(_on(reference, rail), like, width_m_s, rail if len(rails) > 1 else "")
    return tuple(rows)


def _on(results: Sequence[StretchResult], rail: str) -> list[StretchResult]:
    return [r for r in results if rail_of(r) == rail]


def _unlike(
    first: str, reference: Sequence[StretchResult], name: str, results: Sequence[StretchResult]
) -> list[str]:
    """What cannot be compared, and why."""
    one, other = ({rail_of(r) for r in held} for held in (reference, results))
    out = [f"{n}: no test section is admitted, so nothing of it is compared"
           for n, held in ((first, one), (name, other)) if not held]  # fmt: skip
    if one and other:
        out += [
            f"{a}: test sections on rail {rail} are not compared: {b} has none"
            for a, b, rails in ((first, name, one - other), (name, first, other - one))
            for rail in sorted(rails)
        ]
    return out


def _rows(
    reference: Sequence[StretchResult],
    others: Sequence[tuple[str, Sequence[StretchResult]]],
    width_m_s: float,
    rail: str,
) -> list[BandRow]:
    held = [(name, {b.low_m_s: b for b in speed_bands(r, width_m_s)}) for name, r in others]
    rows = []
    for band in speed_bands(reference, width_m_s):
        found = tuple(
            _band_difference(name, by_low[band.low_m_s], band)
            for name, by_low in held
            if band.low_m_s in by_low
        )
        if found:
            rows.append(BandRow(reference=band, differences=found, rail=rail))
    return rows


def _band_difference(name: str, band: Band, reference: Band) -> BandDifference:
    pull = band.pull.minus(reference.pull)
    base = reference.pull.value
    return BandDifference(
        run=name,
        pull=pull,
        power=band.power.minus(reference.power),
        per_cent=pull.scaled(100.0 / base if base else math.nan, "%"),
    )


def _significant(difference: Measured) -> bool:
    return math.isfinite(difference.value) and abs(difference.value) > difference.expanded


def _compare_sections(runs: Sequence[RunAnswer], notes: list[str]) -> tuple[SectionRow, ...]:
    """Means between the mileposts that runs share.

    Only runs of one and the same line share mileposts: placed runs by the digest of their
    route, others by what the crews keyed, which is noted.
    """
    first, *others = runs
    reference = _between_posts(first)
    found: dict[str, list[SectionDifference]] = {}
    for run in others:
        name = run.loaded.name
        if _line_digest(run) != _line_digest(first):
            notes.append(
                f"{name} and {first.loaded.name} do not lie on one and the same route: no"
                " sections are compared"
            )
            continue
        held = _between_posts(run)
        if not _line_digest(run) and held:
            notes.append(
                f"{name}: not placed on a route: sections are between milepost marks of the same"
                " numbers, as keyed"
            )
        for section in reference.keys() & held.keys():
            figures = held[section].minus(reference[section])
            found.setdefault(section, []).append(SectionDifference(run=name, figures=figures))
    return tuple(
        SectionRow(section=s, reference=figures, differences=tuple(found[s]))
        for s, figures in reference.items()
        if s in found
    )


def _line_digest(run: RunAnswer) -> str:
    """The digest of the route a run was placed on; empty when it was not."""
    route = run.loaded.route
    return "" if route is None else route.digest


def _between_posts(run: RunAnswer) -> dict[str, SectionFigures]:
    """By section; of one passed several times, the first."""
    loaded = run.loaded
    series = loaded.series
    sections = sections_on_route(
        series.chainage_m, loaded.route, Kind.MILEPOST
    ) or sections_between_marks(series, loaded.marks, Kind.MILEPOST)
    held: dict[str, SectionFigures] = {}
    for section in sections:
        known = np.isfinite(series.pull_kN[section.span]).mean()
        if section.name in held or known < WHOLE:
            continue
        extent = Extent(loaded.name, section.name)
        held[section.name] = SectionFigures(
            pull=mean_pull(loaded, section.span, extent),
            equivalent_pull=corrected_pull(loaded, section.span, extent, Side.LOCOMOTIVE),
            speed=mean_speed(loaded, section.span, extent),
        )
    return held
