"""Which route a run is on: one given, the run's own, or the trip sheet's beside the run."""

from __future__ import annotations

import glob
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.track.consist.train_shape import TrainShape
from recorder.track.route.route import load_route, parse_route
from recorder.window.model.line.route_ahead import RouteAhead

if TYPE_CHECKING:
    from recorder.run.parts.header import RunHeader
    from recorder.sheets import TripSheet
    from recorder.track.route.route import Route

__all__ = ["route_of_run"]


def route_of_run(
    header: RunHeader, trip: TripSheet, run_path: Path, given: str | Path | None
) -> RouteAhead | None:
    """The line around the train; None when nobody names a route.

    Raises
    ------
    OSError, ValueError
        The route that is named is not there, or does not read.
    """
    sheet = trip.route
    if given is not None:
        route = load_route(given)
    elif header.route:
        route = parse_route(header.route, source="route of the run")
    elif sheet is not None:
        route = _beside(Path(sheet.file), run_path.parent)
    else:
        return None
    down = sheet is not None and sheet.direction == "decreasing"
    return RouteAhead(
        route,
        direction=-1 if down else 1,
        start_m=None if sheet is None else sheet.start_chainage_m,
        shape=TrainShape.from_trip(trip),
    )


def _beside(named: Path, folder: Path) -> Route:
    places = [named]
    if not named.is_absolute():
        # The sheets often lie in a folder beside the run; two of one name there would be a guess.
        near = sorted(folder.glob(f"*/{glob.escape(named.name)}"))
        near = near if len(near) == 1 else []
        places = [folder / named, folder / named.name, named, *near]
    path = next((p for p in places if p.is_file()), None)
    if path is None:
        msg = (
            f"route table {named.name} is not in the folder of the run; name it with testcar"
            " window --route ROUTE.csv"
        )
        raise FileNotFoundError(msg)
    return load_route(path)
