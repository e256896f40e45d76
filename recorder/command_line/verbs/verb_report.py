"""``testcar report``: the answer, as PDF, HTML, chart roll, tables and results.json."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.analysis.campaign.answer import Settings
from recorder.analysis.series.corrections import Switches
from recorder.analysis.specification.steady_stretches import Limits
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.person import person
from recorder.command_line.support.progress import ProgressLine
from recorder.report.trial.crew_edits import read_edits
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.sheets import load_trip_sheet

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import Settings

__all__ = ["add_parser", "run"]

EXAMPLE = """DIR receives report.pdf, report.html, chart_roll.pdf, results.json and tables/.
Stretch edits are a CSV with columns action (strike or add), start_s, end_s, reason and,
with several runs, run; they are kept beside the run and used until others are given.

examples:
  testcar report run.h5 --out report
  testcar report mon.h5 tue.h5 --trip trip.toml --grid milepost --out campaign
"""


CORRECTIONS = ("grade", "curve", "acceleration", "wheel", "zero-drift")


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "report",
        description="Report on one run or a campaign of many.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    parser.add_argument(
        "--trip", type=Path, metavar="TRIP_SHEET", help="instead of the runs' own"
    )
    parser.add_argument(
        "--route", type=Path, metavar="ROUTE.csv", help="instead of the runs' own"
    )
    parser.add_argument("--json", action="store_true", help="print results.json")
    parser.add_argument(
        "--grid", default="1s", help="rows of the run table: 1s, 10m, milepost …"
    )
    parser.add_argument("--band-km-h", type=float, default=10.0, metavar="W", help="(10)")
    parser.add_argument("--steady-s", type=float, default=20.0, metavar="S", help="least (20)")
    parser.add_argument(
        "--steady-m-s2",
        type=float,
        default=0.05,
        metavar="A",
        help="greatest acceleration (0.05)",
    )
    parser.add_argument(
        "--without", action="append", default=[], choices=CORRECTIONS, help="a correction"
    )
    parser.add_argument("--least-speed-km-h", type=float, metavar="V", help="of the rating")
    parser.add_argument(
        "--weather", default="fair", choices=("fair", "cold", "very cold", "bitter cold")
    )
    edits = parser.add_mutually_exclusive_group()
    edits.add_argument(
        "--edits", type=Path, metavar="EDITS.csv", help="stretches struck or added"
    )
    edits.add_argument("--no-edits", action="store_true", help="forget the edits kept so far")
    parser.add_argument(
        "--units", choices=("metric", "customary"), help="on the page (the car sheet's)"
    )
    scale = parser.add_mutually_exclusive_group()
    scale.add_argument("--roll-mm-per-min", type=float, metavar="MM", help="chart roll (20)")
    scale.add_argument("--roll-mm-per-km", type=float, metavar="MM")
    parser.add_argument("--roll-long", action="store_true", help="one long sheet a run")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the report."""
    # Charts and page layout take over a second to import: --help and refusals do not wait.
    from recorder.report.roll.roll import RollScale
    from recorder.report.trial.writing import Options, write_report

    scale = RollScale(
        mm_per_min=None if args.roll_mm_per_km else (args.roll_mm_per_min or 20.0),
        mm_per_km=args.roll_mm_per_km,
    )
    options = Options(
        settings=_settings(args),
        grid=args.grid,
        roll=scale,
        roll_long=args.roll_long,
        route=args.route,
        edits=() if args.no_edits else read_edits(args.edits) if args.edits else None,
        by=person(),
        units=args.units or "",
    )
    trip = load_trip_sheet(args.trip) if args.trip else None
    with ProgressLine() as progress:
        for path in args.runs:
            refuse_damaged(path, progress=progress)
        told = write_report(args.runs, args.out, trip=trip, options=options, progress=progress)
    if args.json:
        print(json.dumps(told, indent=1, ensure_ascii=False))
        return 0
    whole = told["overall"]
    print(f"verdict: {whole['verdict']}" + _reasons(whole["reasons"]))
    for note in told["notes"]:
        print(f"  note: {note}")
    print(f"{args.out}: report.pdf, report.html, chart_roll.pdf, results.json, tables/")
    return 0


def _reasons(reasons: list[str]) -> str:
    return f" ({'; '.join(reasons)})" if reasons else ""


def _settings(args: argparse.Namespace) -> Settings:
    for name in ("band_km_h", "steady_s", "steady_m_s2"):
        if not getattr(args, name) > 0.0:
            option = name.replace("_", "-")
            msg = f"--{option} must be above zero, got {getattr(args, name):g}"
            raise UsageError(msg)
    least = args.least_speed_km_h
    return Settings(
        band_m_s=args.band_km_h / 3.6,
        limits=Limits(least_s=args.steady_s, acceleration_m_s2=args.steady_m_s2),
        switches=Switches(**{c.replace("-", "_"): False for c in args.without}),
        weather=args.weather,
        least_speed_m_s=None if least is None else least / 3.6,
    )
