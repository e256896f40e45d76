"""Everything of a report into a folder: PDF, HTML, chart roll, tables, results.json."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.analysis.campaign.answer import Answer, Settings
from recorder.analysis.campaign.answer import answer as work
from recorder.analysis.campaign.loading import LoadedRun, Place, load_run
from recorder.analysis.uncertainty.field_checks import RunFieldChecks, field_checks_of
from recorder.exchange.description import describe
from recorder.machine.version import software
from recorder.report.pages.document import Document
from recorder.report.pages.rendering import to_html, to_pdf
from recorder.report.pages.shown_units import SYSTEMS, ShownUnits
from recorder.report.roll.roll import RollScale, chart_roll
from recorder.report.trial.crew_edits import edits_for, keep_edits, kept_edits
from recorder.report.trial.results import results
from recorder.report.trial.sections import report_blocks
from recorder.report.trial.tables import write_tables
from recorder.run_file.hdf5.reader import RunFile, open_run
from recorder.track.placing.placement import PlacingError
from recorder.track.placing.run_source import (
    find_route,
    kept_placement,
    place_run_file,
    positions,
)
from recorder.track.route.route import RouteError

if TYPE_CHECKING:
    from recorder.analysis.series.corrections import Switches
    from recorder.analysis.specification.steady_stretches import Edit
    from recorder.sheets import TripSheet
    from recorder.track.placing.placement import Placement
    from recorder.track.route.route import Route

__all__ = ["Options", "Source", "distinct_names", "load_runs", "write_report"]

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the person chose."""

    settings: Settings = field(default_factory=Settings)
    grid: str = "1s"
    roll: RollScale = field(default_factory=RollScale)
    roll_long: bool = False
    route: Path | None = None
    edits: tuple[Edit, ...] | None = None
    """Stretch edits: given ones are kept beside their runs; ``None`` uses those kept there."""
    by: str = ""
    """Who edits."""
    units: str = ""
    """``metric`` or ``customary``; by default those of the first run's car sheet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where the figures of one run come from."""

    name: str
    run_id: str
    software: str
    digest: str
    told: dict[str, Any]
    field_checks: RunFieldChecks
    utc_source: str
    utc_u_s: float
    car_text: str
    trip_text: str
    path: Path
    placement: dict[str, Any] | None
    """Figures of the placing on the route; ``None`` when the run was not placed."""
    edits: tuple[Edit, ...] = ()
    """Stretch edits kept in the companion."""
    units: str = "metric"
    """Of the car sheet."""


def write_report(
    paths: Sequence[Path],
    out: Path,
    *,
    trip: TripSheet | None = None,
    options: Options | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Write the report; returns what went into results.json.

    Raises
    ------
    ValueError, OSError
        A run, sheet, route or setting that cannot be used; one line.
    """
    chosen, tell = options or Options(), progress or (lambda _part, _what: None)
    out.mkdir(parents=True, exist_ok=True)
    loaded, sources = load_runs(
        paths,
        trip=trip,
        route=chosen.route,
        switches=chosen.settings.switches,
        kept=chosen.edits is None,
        progress=tell,
    )
    refuse_twice(sources)
    tell(0.5, "working the answer")
    edits = edits_for(sources, chosen.edits)
    answer = work(loaded, replace(chosen.settings, edits=edits))
    if chosen.edits is not None:
        keep_edits(sources, edits, by=chosen.by)
    told = results(answer, software=software(), sources=[s.told for s in sources])
    (out / "results.json").write_text(
        json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
    )
    tell(0.6, "tables")
    write_tables(answer, out / "tables", grid=chosen.grid)
    tell(0.7, "charts and pages")
    units = SYSTEMS[chosen.units or sources[0].units]
    document = _document(answer, sources, units)
    (out / "report.pdf").write_bytes(to_pdf(document))
    (out / "report.html").write_text(to_html(document), encoding="utf-8")
    tell(0.85, "chart roll")
    roll = chart_roll(loaded, chosen.roll, long=chosen.roll_long, units=units)
    (out / "chart_roll.pdf").write_bytes(roll)
    tell(1.0, "done")
    return told


def load_runs(
    paths: Sequence[Path],
    *,
    trip: TripSheet | None = None,
    route: Path | None = None,
    switches: Switches | None = None,
    kept: bool = True,
    progress: Progress | None = None,
) -> tuple[list[LoadedRun], list[Source]]:
    """Open, place and load every run; runs of one file name are told apart by their folder.

    ``kept`` asks for the stretch edits kept beside the runs, too.
    """
    loaded, sources = [], []
    for i, (path, name) in enumerate(zip(paths, distinct_names(paths), strict=True)):
        if progress is not None:
            progress(0.5 * i / len(paths), f"reading {path.name}")
        with ExitStack() as held:
            run = held.enter_context(open_run(path))
            line, placement, place, note = _placed(run, trip, route)
            one = load_run(
                run, trip=trip, route=line, place=place, name=name, switches=switches
            )
            loaded.append(_noted(one, note))
            source = _source(run, one, line, placement)
            edits = kept_edits(run, name) if kept else ()
            sources.append(replace(source, edits=edits))
    return loaded, sources


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


def refuse_twice(sources: Sequence[Source]) -> None:
    """One run counted twice would make the answer look surer than it is.

    Raises
    ------
    ValueError
        Two of the files hold the same run.
    """
    seen: dict[str, Source] = {}
    for source in sources:
        first = seen.setdefault(source.run_id, source)
        if first is not source:
            msg = f"{first.path} and {source.path} are the same run: give it once"
            raise ValueError(msg)


def _placed(
    run: RunFile, trip: TripSheet | None, given: Path | None
) -> tuple[Route | None, Placement | None, Place | None, str]:
    """Route and place of a run; or in words why there is none."""
    try:
        kept = None if given is not None else kept_placement(run)
        if kept is not None:
            route, placement = kept
        else:
            route = find_route(run, given or (trip.route_path if trip is not None else None))
            placement = place_run_file(run, route)
        t_s, s_m, u_m = positions(run, placement)
    except (PlacingError, RouteError, FileNotFoundError) as error:
        if given is not None:
            raise
        why = str(error).replace(str(run.path), run.path.name)
        return None, None, None, f"not placed on a route: {' '.join(why.split())}"
    place = Place(
        t_s=t_s,
        chainage_m=s_m,
        u_m=u_m,
        facing=placement.way,
        scale=placement.scale,
        u_scale=placement.u_scale,
    )
    return route, placement, place, ""


def _noted(run: LoadedRun, note: str) -> LoadedRun:
    return replace(run, notes=(*run.notes, f"{run.name}: {note}")) if note else run


def _placing(route: Route, placement: Placement) -> dict[str, Any]:
    return {
        "route": Path(route.source).name,
        "route_digest": route.digest,
        "wheel_scale": placement.scale,
        "wheel_scale_u": placement.u_scale,
        "crew_delay_s": placement.reaction_s,
        "crew_delay_u_s": placement.u_reaction_s,
        "greatest_U95_m": placement.greatest_u95_m,
        "marks_used": sum(m.status == "used" for m in placement.marks),
        "marks_doubted": [
            {"t_s": m.t_s, "label": m.label, "status": m.status, "milepost": m.milepost}
            for m in placement.marks
            if m.status != "used"
        ],
        "mileposts_skipped": list(placement.skipped),
        "gnss_fixes_used": placement.gnss_used,
        "notes": list(placement.notes),
    }


def _source(
    run: RunFile, loaded: LoadedRun, route: Route | None, placement: Placement | None
) -> Source:
    name = loaded.name
    told = {**describe(run), "file": run.path.name, "name": name}
    placed = None
    if route is not None and placement is not None:
        placed = told["placement"] = _placing(route, placement)
    u_s = run.utc.u_s(np.linspace(0.0, max(run.duration_s, 1e-3), 50))
    return Source(
        name=name,
        run_id=run.header.run_id,
        software=run.header.software,
        digest=str(told.get("digest") or ""),
        told=told,
        field_checks=field_checks_of(run, loaded.series),
        utc_source=run.utc.source,
        utc_u_s=float(np.max(u_s)),
        car_text=run.header.car_sheet,
        trip_text=run.header.trip_sheet,
        path=run.path,
        placement=placed,
        units=run.car.units if run.car is not None else "metric",
    )


def _document(answer: Answer, sources: Sequence[Source], units: ShownUnits) -> Document:
    first = answer.runs[0].loaded
    name = first.trip.name if first.trip is not None and first.trip.name else first.name
    runs = ", ".join(s.name for s in sources)
    return Document(
        title=f"Drawbar trial: {name}",
        subtitle=f"Report on {runs}",
        blocks=report_blocks(answer, sources, units),
        footer=f"{software()}  ·  run {sources[0].run_id[:12]}",
    )
