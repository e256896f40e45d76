"""``testcar record CAR_SHEET TRIP_SHEET --out RUN.h5``: record a run, window or not."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.quantities.written import many
from recorder.acquisition.preparation.plan import make_plan
from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process.main import record_here
from recorder.command_line.support.doubts_told import (
    doubts_json,
    sheet_doubts,
    tell_doubts,
)
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.recording_console import RecordingConsole, screen_there
from recorder.sheets import SheetError, load_car_sheet, load_trip_sheet
from recorder.sheets.sheet_table import read_text_file, read_toml

if TYPE_CHECKING:
    from recorder.acquisition.preparation.settings import Outcome
    from recorder.sheets import CarSheet, TripSheet

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "record",
        description="Record a run as the car sheet and the trip sheet say. The zero is taken "
        "first: train at rest, coupler slack. Ctrl-C stops the recording and seals the run file; "
        "closing the window does not stop it.",
        epilog="Example:\n"
        "  testcar record car.toml trip.toml --out run.h5\n"
        "  testcar record --check car.toml\n\n"
        "Exit code 0: it is done. 1: it was recorded but not sealed, and the journal is kept; or "
        "it is sealed, and could not be signed by the key of the car sheet. "
        "2: it could not begin, or a fault stopped it early; the journal, if any, is kept.\n\n"
        "This is never a safety system: local rules and licensed practice come first.",
    )
    _add_options(parser)
    parser.set_defaults(run=run)


def _add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "sheets", nargs="+", metavar="SHEET", help="The car sheet, then the trip sheet (TOML)."
    )
    parser.add_argument(
        "--out", metavar="RUN.h5",
        help="The run file to make. No file is overwritten. Only --check does without it.",
    )  # fmt: skip
    parser.add_argument("--headless", action="store_true", help="Record without a window.")
    parser.add_argument(
        "--seconds", type=float, metavar="S",
        help="Stop S seconds after the recording began. Without it, Ctrl-C stops it.",
    )  # fmt: skip
    parser.add_argument(
        "--check", action="store_true", help="Say what would be recorded, and record nothing."
    )
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.add_argument(
        "--zero-seconds", type=float, metavar="S",
        help="Take the first zero for S seconds; 0 takes none. By default as long as the car "
        "sheet says.",
    )  # fmt: skip
    parser.add_argument(
        "--zero-after", type=float, default=0.0, metavar="S",
        help="Take a zero of S seconds at the end, at rest. The default 0 takes none.",
    )  # fmt: skip
    parser.add_argument(
        "--until-quiet", type=float, metavar="S",
        help="Stop when no device has sent anything for S seconds. Without it, silence stops "
        "nothing.",
    )  # fmt: skip
    parser.add_argument(
        "--allow-expired", action="store_true",
        help="Record with certificates that have expired; every value is flagged.",
    )  # fmt: skip
    parser.add_argument(
        "--allow-network-disk", action="store_true",
        help="Record to a network disk all the same; it may stall, or lose what was written.",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Check or record.

    Raises
    ------
    UsageError, RecordingError, SheetError, OSError
        Wrong use, or the recording cannot begin.
    """

    try:
        if args.check:
            return _check(args)
        return _record(args)
    except SheetError as error:
        for problem in error.problems:
            print(f"testcar record: {problem}", file=sys.stderr)
        return 2


def _check(args: argparse.Namespace) -> int:

    car, trip = _sheets(args.sheets)
    if car is None:
        lines = _trip_lines(trip)
        answer: dict[str, Any] = {"trip": None if trip is None else trip.name, "devices": []}
    else:
        plan = make_plan(car, trip, allow_expired=args.allow_expired)
        lines, answer = plan.describe(), plan.to_dict()
    doubts = [] if trip is None else sheet_doubts(trip)
    answer["doubts"] = doubts_json(doubts)
    print(json.dumps(answer, indent=1) if args.json else "\n".join(lines))
    tell_doubts("record", doubts)
    return 0


def _sheets(paths: list[str]) -> tuple[CarSheet | None, TripSheet | None]:
    """Read one or two sheets; a single one may be either, told by its tables."""

    if len(paths) > 2:
        msg = f"give a car sheet and a trip sheet, got {many(len(paths), 'file')}"
        raise UsageError(msg)
    if len(paths) == 1:
        path = Path(paths[0])
        tables = read_toml(read_text_file(path), source=path.name)
        if "trip" in tables and "car" not in tables:
            return None, load_trip_sheet(path)
        return load_car_sheet(path), None
    problems: list[str] = []
    car = trip = None
    try:
        car = load_car_sheet(paths[0])
    except SheetError as error:
        problems.extend(error.problems)
    try:
        trip = load_trip_sheet(paths[1])
    except SheetError as error:
        problems.extend(error.problems)
    if problems:
        raise SheetError(problems)
    return car, trip


def _trip_lines(trip: TripSheet | None) -> list[str]:
    if trip is None:
        return []
    lines = [f"trip: {trip.name}, {trip.planned_hours:g} h planned"]
    if trip.crew:
        lines.append(f"crew: {', '.join(trip.crew)}")
    lines.append(f"locomotive: {trip.locomotive.in_words()}")
    count, mass = trip.consist.count, trip.consist.mass_t
    lines.append(
        f"consist: {'number of cars unknown' if count is None else many(count, 'car')},"
        f" {'mass unknown' if mass is None else f'{mass:.1f} t'}"
    )
    lines.append("give the car sheet, too, to be told what would be recorded")
    return lines


def _record(args: argparse.Namespace) -> int:

    if len(args.sheets) != 2:
        msg = f"give a car sheet and a trip sheet, got {many(len(args.sheets), 'file')}"
        raise UsageError(msg)
    if not args.out:
        msg = "give the run file to make with --out RUN.h5, or --check to record nothing"
        raise UsageError(msg)
    settings = RecordingSettings(
        car_sheet=Path(args.sheets[0]),
        trip_sheet=Path(args.sheets[1]),
        out=Path(args.out),
        seconds=args.seconds,
        zero_seconds=args.zero_seconds,
        zero_after=args.zero_after,
        until_quiet_s=args.until_quiet,
        allow_expired=args.allow_expired,
        allow_network_disk=args.allow_network_disk,
    )
    console = RecordingConsole(
        window=not args.headless and screen_there("testcar record: recording")
    )
    try:
        outcome = record_here(settings, console)
    finally:
        console.end()
    _print_outcome(outcome, as_json=args.json)
    return outcome.exit_code


def _print_outcome(outcome: Outcome, *, as_json: bool) -> None:
    if as_json:
        answer = {**asdict(outcome), "run_path": str(outcome.run_path)}
        print(json.dumps({**answer, "exit_code": outcome.exit_code}, indent=1))
    else:
        counts = ", ".join(
            f"{many(n, 'record')} of {name}" for name, n in outcome.records.items()
        )
        state = "sealed" if outcome.sealed else "NOT SEALED"
        state += ", NOT SIGNED" if outcome.unsigned else ""
        print(
            f"{outcome.run_path}: {outcome.duration_s:.1f} s, {counts},"
            f" {many(outcome.marks, 'mark revision')}, {many(outcome.gaps, 'gap')},"
            f" {many(outcome.lost_records, 'record')} known lost;"
            f" {outcome.reason}; {state}"
        )
    if outcome.unsigned:
        print(f"testcar record: {outcome.run_path}: {outcome.unsigned}", file=sys.stderr)
    if outcome.problem:
        print(f"testcar record: {outcome.problem}", file=sys.stderr)
