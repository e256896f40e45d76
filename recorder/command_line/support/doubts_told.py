"""Doubts about a record, told on the command line."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from calibration.quantities.printable import error_line
from recorder.analysis.plausibility.sheets_alone import check_sheets
from recorder.track.route.route import RouteError, load_route

if TYPE_CHECKING:
    from recorder.analysis.plausibility.doubt import Doubt
    from recorder.sheets import TripSheet

__all__ = ["doubts_json", "sheet_doubts", "tell_doubts"]


def tell_doubts(verb: str, doubts: Iterable[Doubt]) -> None:
    """One line each, on standard error."""
    for doubt in doubts:
        held = f" (answered: {doubt.answer})" if doubt.answer else ""
        line = f"testcar {verb}: doubted ({doubt.kind}): {doubt.text}{held}"
        print(line, file=sys.stderr)


def doubts_json(doubts: Iterable[Doubt]) -> list[dict[str, Any]]:
    """As ``results.json`` has them, without the run."""
    return [asdict(d) for d in doubts]


def sheet_doubts(trip: TripSheet) -> list[Doubt]:
    """What a trip sheet contradicts by itself and with its route, where that can be read."""
    route = None
    if trip.route_path is not None:
        try:
            route = load_route(trip.route_path)
        except (RouteError, OSError) as error:
            why = error_line(error)
            print(f"testcar record: warning: the route was not read: {why}", file=sys.stderr)
    return [c.doubt for c in check_sheets(trip, route) if c.doubt is not None]
