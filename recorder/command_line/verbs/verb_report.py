"""``testcar report``: the answer, as PDF, HTML, chart roll, tables and results.json."""

from __future__ import annotations

import argparse
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.sentence import join
from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.analysis.campaign.crew_edits import read_edits
from recorder.analysis.campaign.doubt_answers import read_answers
from recorder.analysis.dynamics.tonnage import WEATHER
from recorder.analysis.series.corrections import Switches
from recorder.command_line.support.answer_options import (
    add_band_options,
    add_sheet_options,
    band_m_s,
    edition_shown,
)
from recorder.command_line.support.json_answer import print_json
from recorder.command_line.support.person import person
from recorder.command_line.support.progress import ProgressLine
from recorder.report.pages.shown_units import SYSTEMS
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.sheets import load_trip_sheet

if TYPE_CHECKING:
    from recorder.analysis.stretches.stretch_edits import StretchEdit
    from recorder.report.trial.writing import ReportOptions
    from recorder.run.parts.progress import Progress

__all__ = ["add_parser", "run"]

EXAMPLE = """\
Examples:
  testcar report run.h5 --out report
  testcar report mon.h5 tue.h5 --trip trip.toml --grid milepost --out campaign

DIR receives report.pdf, report.html, chart_roll.pdf, results.json, tables/ and appendix/ (sheets,
route and certificates as they stand in the run).

EDITS.csv strikes test sections out, or adds some. Its columns are action (strike or add), start_s,
end_s, reason and, with several runs, run. The edits are kept beside the run and used until others
are given.
"""


CORRECTIONS = tuple(f.name.replace("_", "-") for f in fields(Switches))
WORKING = 0.6
"""Share of the time until the answer is worked; the rest lays it out."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "report",
        description="Answer, for one run or a campaign of many: did the locomotive make its "
        "specified pull and power, what did the train resist, and how sure is that?",
        epilog=EXAMPLE,
    )
    parser.add_argument(
        "runs", nargs="+", type=Path, metavar="RUN", help="One run file or more."
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="The folder for the report."
    )
    add_sheet_options(parser)
    parser.add_argument(
        "--json", action="store_true", help="Print results.json, in place of words."
    )
    _add_settings(parser)
    _add_layout(parser)
    parser.set_defaults(run=run)


def _add_settings(parser: argparse.ArgumentParser) -> None:
    """How the answer is worked."""
    add_band_options(parser)
    parser.add_argument(
        "--without", action="append", default=[], choices=CORRECTIONS, metavar="CORRECTION",
        help=f"Leave a correction out: {', '.join(CORRECTIONS)}; may be given again. By default "
        "all are made.",
    )  # fmt: skip
    parser.add_argument(
        "--minimum-speed-km-h", type=float, metavar="V",
        help="The lowest speed at which the tonnage rating may run, in km/h. By default the "
        "lowest that was measured.",
    )  # fmt: skip
    parser.add_argument(
        "--weather", default="fair", choices=tuple(WEATHER), metavar="WEATHER",
        help=f"The weather of the tonnage rating: {', '.join(WEATHER)}; by default fair.",
    )  # fmt: skip
    parser.add_argument(
        "--answer", action="append", default=[], metavar="KIND=REASON",
        help="Why a record that is doubted is right all the same; kept beside the run, and may be "
        "given again. Without it, the doubt stands.",
    )  # fmt: skip
    edits = parser.add_mutually_exclusive_group()
    edits.add_argument(
        "--edits", type=Path, metavar="EDITS.csv",
        help="Test sections to strike out or to add. By default the edits kept beside the run.",
    )  # fmt: skip
    edits.add_argument(
        "--no-edits", action="store_true", help="Forget the edits kept beside the run."
    )


def _add_layout(parser: argparse.ArgumentParser) -> None:
    """How it is laid out."""
    parser.add_argument(
        "--grid", default="1s", metavar="STEP",
        help="The step from row to row of the run table: 1s, 10m, milepost and the like; by "
        "default 1s.",
    )  # fmt: skip
    parser.add_argument(
        "--units", choices=tuple(SYSTEMS),
        help="The units on paper. By default those of the car sheet.",
    )  # fmt: skip
    scale = parser.add_mutually_exclusive_group()
    scale.add_argument(
        "--roll-mm-per-min", type=float, metavar="MM",
        help="The paper of the chart roll for one minute, in mm; by default 20.",
    )  # fmt: skip
    scale.add_argument(
        "--roll-mm-per-km", type=float, metavar="MM",
        help="The paper of the chart roll for one kilometre, in mm. By default it goes by time.",
    )  # fmt: skip
    parser.add_argument(
        "--roll-long", action="store_true", help="Make the chart roll one long sheet a run."
    )


def run(args: argparse.Namespace) -> int:
    """Work the answer and write the report."""
    # Charts and page layout take over a second to import: --help and refusals do not wait.
    from recorder.report.trial.writing import write_report

    options, edits = _options(args), _edits(args)
    answers = read_answers(args.answer)
    trip = load_trip_sheet(args.trip) if args.trip else None
    with ProgressLine() as progress:
        for path in args.runs:
            refuse_damaged(path, progress=progress)
        settings = _settings(args)
        # A folder that cannot be made is met before minutes of work, not after.
        args.out.mkdir(parents=True, exist_ok=True)
        answer = answer_files(
            args.runs,
            settings,
            trip=trip,
            route=args.route,
            edits=edits,
            answers=answers,
            by=person(),
            progress=_part(progress, 0.0, WORKING),
        )
        results = write_report(
            answer, args.out, options, progress=_part(progress, WORKING, 1.0)
        )
    if args.json:
        print_json(results, indent=1)
        return 0
    units = SYSTEMS[options.units or answer.runs[0].loaded.provenance.units]
    words = units.words(join("; ", answer.overall.reasons))
    print(f"verdict: {answer.overall.verdict}" + f" ({words})" * bool(words))
    for note in answer.notes:
        print(f"  note: {units.words(note)}")
    print(
        f"{args.out}: report.pdf, report.html, chart_roll.pdf, results.json, tables/, appendix/"
    )
    return 0


def _part(progress: Progress, start: float, end: float) -> Progress:
    """The progress of a part of the work."""
    return lambda share, what: progress(start + (end - start) * share, what)


def _settings(args: argparse.Namespace) -> AnswerSettings:
    least = args.minimum_speed_km_h
    return AnswerSettings(
        band_m_s=band_m_s(args, edition_shown(args.runs[0], args.units)),
        switches=Switches(**{c.replace("-", "_"): False for c in args.without}),
        weather=args.weather,
        minimum_speed_m_s=None if least is None else least / KM_H_PER_M_S,
    )


def _options(args: argparse.Namespace) -> ReportOptions:
    # As in run(): what lays out is not imported before it is wanted.
    from recorder.report.roll.roll import RollScale
    from recorder.report.trial.writing import ReportOptions

    per_min = None if args.roll_mm_per_km else (args.roll_mm_per_min or 20.0)
    return ReportOptions(
        grid=args.grid,
        roll=RollScale(mm_per_min=per_min, mm_per_km=args.roll_mm_per_km),
        roll_long=args.roll_long,
        units=args.units or "",
    )


def _edits(args: argparse.Namespace) -> tuple[StretchEdit, ...] | None:
    """Edits given, none at all, or ``None`` for those kept beside the runs."""
    if args.no_edits:
        return ()
    return read_edits(args.edits) if args.edits else None
