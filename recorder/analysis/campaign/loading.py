"""The one loader of runs: opens each file, places it on its route, and puts it on a grid."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.certificates.force import ForceCertificate
from recorder.analysis.campaign.crew_edits import kept_edits
from recorder.analysis.campaign.doubt_answers import answered, kept_answers
from recorder.analysis.campaign.loaded_run import LoadedRun, Provenance
from recorder.analysis.plausibility.doubts import checks_of
from recorder.analysis.plausibility.evidence import Evidence
from recorder.analysis.series.corrections import Switches, correct
from recorder.analysis.series.line_under import (
    RunPlace,
    from_channels,
    on_route,
    with_doubted_grade,
)
from recorder.analysis.series.run_series import (
    RunGrid,
    first_channel,
    series_of,
    speed_by_receiver,
)
from recorder.analysis.series.standing import settled_by_route
from recorder.analysis.series.train import train_from_sheet
from recorder.analysis.series.wheel_jumps import slipped_share
from recorder.analysis.stretches.handling import brake_on
from recorder.analysis.stretches.specification import specification_of
from recorder.analysis.uncertainty.field_checks import field_checks_of
from recorder.analysis.uncertainty.run_basis import KEYED_U_S, USUAL_REACTION
from recorder.analysis.uncertainty.run_instruments import instruments_of, with_wheel
from recorder.analysis.uncertainty.shunt import without_shunt
from recorder.analysis.uncertainty.zero import with_zero_drift, zero_drift_kN
from recorder.exchange.description import describe
from recorder.marks.mark import Mark, unread
from recorder.run.checks.channel_health import episodes_of
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import EventKind
from recorder.run.values.certificate_standing import standings_of
from recorder.run_file.hdf5.reader import open_run
from recorder.track.placing.errors import PlacingError
from recorder.track.placing.run_source import (
    find_route,
    kept_placement,
    place_run_file,
    positions,
)
from recorder.track.route.route import RouteError

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.analysis.stretches.stretch_edits import StretchEdit
    from recorder.run.parts.progress import Progress
    from recorder.run_file.hdf5.reader import RunFile
    from recorder.sheets import TripSheet
    from recorder.track.placing.placement import Placement
    from recorder.track.route.route import Route

__all__ = ["PlacedOn", "distinct_names", "load_run", "load_runs"]

LARGEST: Final = 1e24
"""In any unit."""

MOST_UNREAD: Final = 20
"""Notes of marks that do not read (our choice): more say no more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedOn:
    """A run's route, and where the run lies on it."""

    route: Route
    placement: Placement
    place: RunPlace


def load_runs(
    paths: Sequence[Path],
    *,
    trip: TripSheet | None = None,
    route: Path | None = None,
    switches: Switches | None = None,
    kept: bool = True,
    progress: Progress | None = None,
) -> list[LoadedRun]:
    """Open, place and load every run; runs of one file name are told apart by their folder.

    Parameters
    ----------
    trip : replaces the trip sheets in the run files.
    route : replaces the runs' own routes; then a run that cannot be placed on it is refused.
    switches : which corrections are applied.
    kept : whether the stretch edits kept beside the runs are read, too.

    Raises
    ------
    ValueError, OSError
        A run, sheet or route that cannot be used; one line.
    """
    loaded = []
    for i, (path, name) in enumerate(zip(paths, distinct_names(paths), strict=True)):
        if progress is not None:
            progress(i / len(paths), f"reading {path.name}")
        with open_run(path) as run:
            placed, note = _placed(run, trip, route)
            edits = kept_edits(run, name) if kept else ()
            one = load_run(
                run, name=name, trip=trip, placed=placed, switches=switches, edits=edits
            )
        loaded.append(replace(one, notes=(*one.notes, f"{name}: {note}")) if note else one)
    return loaded


def distinct_names(paths: Sequence[Path]) -> list[str]:
    """A name for each run: its file's, with its folder's where two files are named alike."""
    stems = [p.stem for p in paths]
    names = [
        stem if stems.count(stem) == 1 else f"{path.resolve().parent.name}-{stem}"
        for path, stem in zip(paths, stems, strict=True)
    ]
    return [
        name if names.count(name) == 1 else f"{name}-{names[: i + 1].count(name)}"
        for i, name in enumerate(names)
    ]


def _refuse_boundless(run: RunFile) -> None:
    """Powers of such values are no numbers any more, and no figure of them would be one."""
    for name, channel in run.channels.items():
        low, high, _ = run.extremes(name)
        if (most := max(abs(low), abs(high))) > LARGEST:
            msg = (
                f"{run.path}: {name} reaches {most:g} {channel.unit}; allowed: up to {LARGEST:g};"
                " nothing on a railway is larger, so the file is no record of one"
            )
            raise RunFileError(msg)


def load_run(
    run: RunFile,
    *,
    name: str = "",
    trip: TripSheet | None = None,
    placed: PlacedOn | None = None,
    switches: Switches | None = None,
    edits: tuple[StretchEdit, ...] = (),
) -> LoadedRun:
    """Read an opened run onto a grid; memory is bounded by the grid, not by the samples.

    Parameters
    ----------
    name : tells the run from others of a campaign; by default its file's.
    trip : replaces the trip sheet in the run file.
    placed : the line and where the run lies on it; without them grade comes from a grade
        channel, from grade marks, or is not known.
    edits : stretch edits kept beside the run.

    Raises
    ------
    RunFileError
        A channel reaches what nothing on a railway does.
    """
    _refuse_boundless(run)
    name, applied = name or run.path.stem, switches or Switches()
    sheet = trip if trip is not None else run.trip
    marks, gaps, on = tuple(run.marks()), tuple(run.gaps()), RunGrid.of(run)
    notes = _unread(marks)
    series = _pull_alone(series_of(on, gaps, notes), run, applied, notes)
    instruments = instruments_of(run, name, notes)
    if placed is not None:
        series, instruments = with_wheel(
            series, instruments, placed.place, name, notes, wanted=applied.wheel
        )
    series = _on_line(_settled(series, run), on, marks, placed, sheet, notes)
    train = with_doubted_grade(train_from_sheet(sheet, run=name), series.grade_source, notes)
    loaded = LoadedRun(
        name=name,
        series=series,
        corrected=correct(series, train, applied),
        train=train,
        instruments=instruments,
        marks=marks,
        reaction=_reaction(placed),
        switches=applied,
        specification=specification_of(sheet),
        trip=sheet,
        route=None if placed is None else placed.route,
        gaps=gaps,
        duration_s=run.duration_s,
        provenance=_provenance(run, series, placed, edits),
        notes=tuple(notes),
    )
    return _doubted(loaded, run)


def _unread(marks: Sequence[Mark]) -> list[str]:
    """Of each mark that does not read a line; of more than a page of them, how many more."""
    told = unread(marks)
    more = len(told) - MOST_UNREAD
    if more <= 0:
        return told
    return [
        *told[:MOST_UNREAD],
        f"{more:,} more marks do not read; testcar marks tells of each",
    ]


def _reaction(placed: PlacedOn | None) -> tuple[float, float]:
    """How late the crew keys, where placing fitted it."""
    if placed is None:
        return USUAL_REACTION
    late, u = placed.placement.reaction_s, placed.placement.u_reaction_s
    if not (math.isfinite(late) and math.isfinite(u) and 0.0 < u < USUAL_REACTION[1]):
        return USUAL_REACTION
    return late, math.hypot(u, KEYED_U_S)


def _placed(
    run: RunFile, trip: TripSheet | None, given: Path | None
) -> tuple[PlacedOn | None, str]:
    """Route and place of a run; or in words why there is none."""
    try:
        kept = None if given is not None else kept_placement(run)
        if kept is not None:
            route, placement = kept
        else:
            route = find_route(run, given or (trip.route_path if trip is not None else None))
            placement = place_run_file(run, route)
        t_s, chainage_m, _ = positions(run, placement)
    except (PlacingError, RouteError, FileNotFoundError) as error:
        if given is not None:
            raise
        why = str(error).replace(str(run.path), run.path.name)
        return None, f"not placed on a route: {' '.join(why.split())}"
    place = RunPlace(
        t_s=t_s,
        chainage_m=chainage_m,
        facing=placement.way,
        scale=placement.scale,
        u_scale=placement.u_scale if placement.scale_is_seen else math.inf,
        posts=placement.posts_used,
        rolled_m=placement.rolled_m,
    )
    return PlacedOn(route=route, placement=placement, place=place), ""


def _doubted(loaded: LoadedRun, run: RunFile) -> LoadedRun:
    """The run with what was checked of it, and what is doubted; a route on which it could not be
    placed still tells of its mileposts.
    """
    route = loaded.route or _route_alone(run, loaded.trip)
    checks = checks_of(
        Evidence(
            run=loaded,
            braked=brake_on(loaded.series, loaded.marks),
            trip=loaded.trip,
            route=route,
            placement=loaded.provenance.placement,
            gnss_speed_m_s=RunGrid.of(run).second_speed_m_s,
            episodes=loaded.provenance.description.episodes,
            zero_watched=_zero_watched(run),
            speed_by_receiver=speed_by_receiver(run),
            standings=loaded.provenance.standings,
        )
    )
    return replace(loaded, checks=answered(checks, kept_answers(run)))


def _zero_watched(run: RunFile) -> bool:
    channel = first_channel(run, "pull")
    return channel is not None and isinstance(
        run.certificates.get(channel.certificate), ForceCertificate
    )


def _route_alone(run: RunFile, trip: TripSheet | None) -> Route | None:
    try:
        return find_route(run, trip.route_path if trip is not None else None)
    except (PlacingError, RouteError, OSError):
        return None


def _pull_alone(series: Series, run: RunFile, applied: Switches, notes: list[str]) -> Series:
    """The series without what a shunt showed, its zero followed where that is wanted."""
    channel = first_channel(run, "pull")
    series = without_shunt(series, run, channel, notes)
    drift = zero_drift_kN(run, channel, series.t_s)
    if drift is None:
        return series
    return with_zero_drift(series, drift, followed=applied.zero_drift)


def _settled(series: Series, run: RunFile) -> Series:
    """Without what the posts have settled between wheel and receiver, and with the slips that the
    wheel's own jumps show.
    """
    settled = settled_by_route(series, episodes_of(run.events(EventKind.CHANNEL_HEALTH)))
    return replace(settled, slip=slipped_share(settled.speed_m_s, settled.step_s))


def _on_line(
    series: Series,
    on: RunGrid,
    marks: Sequence[Mark],
    placed: PlacedOn | None,
    sheet: TripSheet | None,
    notes: list[str],
) -> Series:
    """The series with grade and curvature from the best source there is."""
    if placed is not None and sheet is not None:
        return on_route(series, placed.route, placed.place, sheet)
    return from_channels(series, on, marks, notes)


def _provenance(
    run: RunFile, series: Series, placed: PlacedOn | None, edits: tuple[StretchEdit, ...]
) -> Provenance:
    return Provenance(
        path=run.path,
        header=run.header,
        description=describe(run),
        field_checks=field_checks_of(run, series),
        placement=None if placed is None else placed.placement,
        edits=edits,
        mended=tuple(run.companion.mendings()),
        units=run.car.units if run.car is not None else "metric",
        car=run.car,
        certificates=run.certificates,
        standings=standings_of(run.header),
    )
