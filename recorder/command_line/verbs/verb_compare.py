"""``testcar compare``: several runs side by side, differences with their uncertainty."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from calibration.files.durable import write_whole
from recorder.analysis.campaign.answer import AnswerSettings
from recorder.analysis.campaign.comparison import compare_files
from recorder.command_line.support.answer_options import (
    add_band_options,
    add_sheet_options,
    band_m_s,
    edition_shown,
)
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.json_answer import print_json
from recorder.command_line.support.progress import ProgressLine
from recorder.machine.version import software
from recorder.report.pages.shown_units import SYSTEMS
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.sheets import load_trip_sheet

__all__ = ["add_parser", "run"]

EXAMPLE = """\
Examples:
  testcar compare before.h5 after.h5 --out overhaul
  testcar compare before.h5 after.h5 --units customary

Every later run is compared with the first. Causes of uncertainty that two runs share (one
certificate, one wheel) cancel in the difference.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "compare",
        description="Compare runs: before and after an overhaul, two coals, two throttles.",
        epilog=EXAMPLE,
    )
    parser.add_argument(
        "runs", nargs="+", type=Path, metavar="RUN", help="Two run files or more."
    )
    add_sheet_options(parser)
    add_band_options(parser)
    parser.add_argument(
        "--units", choices=tuple(SYSTEMS),
        help="The units in words and on paper; comparison.json stays as it is. By default those "
        "of the car sheet of the first run.",
    )  # fmt: skip
    parser.add_argument(
        "--out", type=Path, metavar="DIR",
        help="Write comparison.json and comparison.pdf into DIR. Without it, print only.",
    )  # fmt: skip
    parser.add_argument(
        "--json", action="store_true", help="Print comparison.json in place of words."
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare and print."""
    # Charts and page layout take over a second to import: --help and refusals do not wait.
    from recorder.report.comparison.comparison_json import comparison_json
    from recorder.report.comparison.comparison_pages import comparison_pdf, in_words

    if len(args.runs) < 2:
        msg = f"give at least two runs to compare, got {len(args.runs)}"
        raise UsageError(msg)
    edition = edition_shown(args.runs[0], args.units)
    trip = load_trip_sheet(args.trip) if args.trip else None
    with ProgressLine() as progress:
        for path in args.runs:
            refuse_damaged(path, progress=progress)
        comparison = compare_files(
            args.runs,
            AnswerSettings(band_m_s=band_m_s(args, edition)),
            trip=trip,
            route=args.route,
            progress=progress,
        )
    units = SYSTEMS[edition.value]
    plain = comparison_json(comparison, software=software())
    if args.out is not None:
        args.out.mkdir(parents=True, exist_ok=True)
        text = json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False)
        write_whole(args.out / "comparison.json", f"{text}\n".encode())
        write_whole(args.out / "comparison.pdf", comparison_pdf(comparison, units))
    if args.json:
        print_json(plain, indent=1)
    else:
        print(in_words(comparison, units))
    return 0
