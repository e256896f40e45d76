"""``testcar import``: a table recorded elsewhere, or read off paper, becomes a run file."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.analysis.campaign.doubt_answers import (
    keep_answers,
    read_answers,
    with_answers,
)
from recorder.analysis.campaign.loading import load_runs
from recorder.command_line.support.doubts_told import tell_doubts
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.person import person
from recorder.exchange.marks_table import read_marks_table
from recorder.exchange.table_import import import_table, read_table
from recorder.machine.version import software
from recorder.sheets import load_trip_sheet

if TYPE_CHECKING:
    from collections.abc import Mapping

    from recorder.analysis.plausibility.doubt import DoubtKind
    from recorder.sheets import TripSheet

__all__ = ["add_parser", "run"]

EXAMPLE = """columns are named by quantity and unit: time_s, pull_kN or pull_lbf, speed_m_s,
speed_km_h or speed_mph, distance_m or distance_mi, grade_pct, curve_radius_m,
acceleration_m_s2 ... A roll without a clock gets its time from distance and speed.

example:
  testcar import roll.csv --trip trip.toml --column pull=draft:lbf \\
      --uncertainty pull=1% --uncertainty speed=0.5% --out roll.h5
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "import",
        description="Make a run file of a table recorded elsewhere or read off paper.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("table", type=Path, metavar="TABLE.csv")
    parser.add_argument("--out", type=Path, required=True, metavar="RUN.h5")
    parser.add_argument("--trip", type=Path, metavar="TRIP_SHEET", help="locomotive, consist …")
    parser.add_argument(
        "--marks",
        type=Path,
        metavar="MARKS.csv",
        help="time_s or distance_m, kind, value, note",
    )
    parser.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="quantity=NAME[:unit]",
        help="a column not named by quantity and unit (repeat)",
    )
    parser.add_argument(
        "--uncertainty",
        action="append",
        default=[],
        metavar="quantity=U",
        help="standard uncertainty, 1%% of the value or 0.5 in kN, m/s, m (repeat)",
    )
    parser.add_argument(
        "--answer",
        action="append",
        default=[],
        metavar="KIND=REASON",
        help="why a doubted record is right all the same; kept beside the run (repeat)",
    )
    parser.add_argument("--started", metavar="UTC", help="start, e.g. 2026-05-04T09:30:00")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read, check, write."""
    answers = read_answers(args.answer)
    table = read_table(args.table, args.column)
    for warning in table.warnings:
        _warn(warning)
    trip = load_trip_sheet(args.trip) if args.trip else None
    marks = read_marks_table(args.marks, table, warn=_warn) if args.marks else []
    import_table(
        table,
        args.out,
        software=software(),
        trip_sheet=trip.text if trip else "",
        marks=marks,
        started_utc=_started(args.started, trip),
        uncertainties=dict(_uncertainty(text) for text in args.uncertainty),
        source=args.table.name,
    )
    quantities = ", ".join(table.columns)
    print(f"{args.out}: {len(table.time_s)} rows of {quantities}, {len(marks)} marks")
    _doubt(args.out, trip, answers)
    return 0


def _doubt(path: Path, trip: TripSheet | None, answers: Mapping[DoubtKind, str]) -> None:
    """Tell what the record contradicts, while whoever has the table is still there."""
    try:
        (loaded,) = load_runs([path], trip=trip)
    except ValueError as error:
        _warn(f"whether the record can be true was not checked: {error}")
        return
    loaded = with_answers(loaded, answers)
    keep_answers([loaded], by=person())
    tell_doubts("import", loaded.doubts)


def _warn(text: str) -> None:
    print(f"testcar import: warning: {text}", file=sys.stderr)


def _started(text: str | None, trip: TripSheet | None) -> datetime | None:
    if text is None:
        if trip is None or trip.date is None:
            return None
        return datetime.combine(trip.date, time(), tzinfo=UTC)
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        msg = f"--started {text!r} is not an ISO 8601 time such as 2026-05-04T09:30:00"
        raise UsageError(msg) from None
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


def _uncertainty(text: str) -> tuple[str, tuple[float | None, float | None]]:
    quantity, equals, rest = text.partition("=")
    share = rest.strip().endswith("%")
    try:
        value = float(rest.strip().removesuffix("%"))
    except ValueError:
        value = -1.0
    if not equals or not 0.0 <= value < 1e6:
        msg = f"--uncertainty {text!r}: give quantity=U with U like 1% or 0.5"
        raise UsageError(msg)
    return quantity.strip(), (None, value / 100.0) if share else (value, None)
