"""``testcar compare``: several runs side by side, differences with their uncertainty."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from calibration.quantities.constants import KM_H_PER_M_S
from recorder.analysis.campaign.answer import AnswerSettings
from recorder.analysis.campaign.comparison import compare_files
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.progress import ProgressLine
from recorder.machine.version import software
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.sheets import load_trip_sheet

__all__ = ["add_parser", "run"]

EXAMPLE = """every later run is compared with the first; causes they share (one certificate,
one wheel) cancel in the difference.

example:
  testcar compare before.h5 after.h5 --out overhaul
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "compare",
        description="Compare runs: before and after an overhaul, two coals, two throttles.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN")
    parser.add_argument(
        "--trip", type=Path, metavar="TRIP_SHEET", help="instead of the runs' own"
    )
    parser.add_argument(
        "--route", type=Path, metavar="ROUTE.csv", help="instead of the runs' own"
    )
    parser.add_argument("--band-km-h", type=float, default=10.0, metavar="W", help="(10)")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="write comparison.json and .pdf"
    )
    parser.add_argument("--json", action="store_true", help="print comparison.json")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare and print."""
    # Charts and page layout take over a second to import: --help and refusals do not wait.
    from recorder.report.comparison.comparison_json import comparison_json
    from recorder.report.comparison.comparison_pages import comparison_pdf, in_words

    if len(args.runs) < 2:
        msg = f"give at least two runs to compare, got {len(args.runs)}"
        raise UsageError(msg)
    if not args.band_km_h > 0.0:
        msg = f"--band-km-h must be above zero, got {args.band_km_h:g}"
        raise UsageError(msg)
    trip = load_trip_sheet(args.trip) if args.trip else None
    with ProgressLine() as progress:
        for path in args.runs:
            refuse_damaged(path, progress=progress)
        comparison = compare_files(
            args.runs,
            AnswerSettings(band_m_s=args.band_km_h / KM_H_PER_M_S),
            trip=trip,
            route=args.route,
            progress=progress,
        )
    plain = comparison_json(comparison, software=software())
    if args.out is not None:
        args.out.mkdir(parents=True, exist_ok=True)
        text = json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False)
        (args.out / "comparison.json").write_text(text + "\n", encoding="utf-8")
        (args.out / "comparison.pdf").write_bytes(comparison_pdf(comparison))
    if args.json:
        print(json.dumps(plain, indent=1, ensure_ascii=False))
    else:
        print(in_words(comparison))
    return 0
