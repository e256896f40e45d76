"""``testcar import``: a table recorded elsewhere, or read off paper, becomes a run file."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.quantities.written import many
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

FIRST_YEAR, LAST_YEAR = 1700, 2200
"""Nanoseconds since 1970 hold these years, and no roll is older."""
EXAMPLE = """\
Example:
  testcar import roll.csv --trip trip.toml --column pull=draft:lbf \\
      --uncertainty pull=1% --uncertainty speed=0.5% --out roll.h5

Columns are named by quantity and unit: time_s, pull_kN or pull_lbf, speed_m_s, speed_km_h or
speed_mph, distance_m or distance_mi, grade_pct, curve_radius_m, acceleration_m_s2 and so on.
A roll without a clock gets its time from distance and speed.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "import",
        description="Make a run file of a table recorded elsewhere or read off paper.",
        epilog=EXAMPLE,
    )
    parser.add_argument("table", type=Path, metavar="TABLE.csv", help="The table to import.")
    parser.add_argument(
        "--out", type=Path, required=True, metavar="RUN.h5", help="The run file to make."
    )
    parser.add_argument(
        "--trip", type=Path, metavar="TRIP.toml",
        help="The trip sheet: locomotive, cars, route, crew, day. Without it, they are not known.",
    )  # fmt: skip
    parser.add_argument(
        "--marks", type=Path, metavar="MARKS.csv",
        help="A table of marks: time_s or distance_m, kind, value, note. Without it, the "
        "run has no marks.",
    )  # fmt: skip
    parser.add_argument(
        "--column", action="append", default=[], metavar="quantity=NAME[:unit]",
        help="A column that is not named by quantity and unit; may be given again. By default "
        "every column is known by its name.",
    )  # fmt: skip
    parser.add_argument(
        "--uncertainty", action="append", default=[], metavar="quantity=U",
        help="The standard uncertainty of a quantity: 1%% of the value, or 0.5 in kN, m/s or m; "
        "may be given again. Without it, one is assumed, and the report says so.",
    )  # fmt: skip
    _add_history(parser)
    parser.set_defaults(run=run)


def _add_history(parser: argparse.ArgumentParser) -> None:
    """When it was recorded, and what stands against it."""
    parser.add_argument(
        "--answer", action="append", default=[], metavar="KIND=REASON",
        help="Why a record that is doubted is right all the same; kept beside the run, and may be "
        "given again. Without it, the doubt stands.",
    )  # fmt: skip
    parser.add_argument(
        "--started", metavar="UTC",
        help="When it began, in UTC: 2026-05-04T09:30:00. By default midnight of the day on "
        "the trip sheet.",
    )  # fmt: skip


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
    print(
        f"{args.out}: {many(len(table.time_s), 'row')} of {quantities},"
        f" {many(len(marks), 'mark')}"
    )
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
        when, what = datetime.combine(trip.date, time(), tzinfo=UTC), "the trip sheet's date"
    else:
        what = "--started"
        try:
            when = datetime.fromisoformat(text)
        except ValueError:
            msg = f"--started {text!r} is not an ISO 8601 time such as 2026-05-04T09:30:00"
            raise UsageError(msg) from None
    if not FIRST_YEAR <= when.year <= LAST_YEAR:
        msg = f"{what} is of the year {when.year}; allowed: {FIRST_YEAR} to {LAST_YEAR}"
        raise UsageError(msg)
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
