"""``testcar recover JOURNAL --out RUN.h5``: a run file from a journal that was left behind."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from calibration.quantities.written import many
from recorder.command_line.support.progress import ProgressLine
from recorder.exchange.damage_told import damage_words
from recorder.keeping.seal import recover
from recorder.run_file.hdf5.reader import open_run

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "recover",
        description="Make a sealed run file from the journal of a recording that was cut off. "
        "Every page of a damaged journal is searched for what can still be read. "
        "The journal is kept. No run file is overwritten; the unfinished file of this very run "
        "is moved aside.",
        epilog="Example:\n  testcar recover run.h5.journal --out run.h5\n\n"
        "Exit code 0: it is done and nothing is lost. 1: it is done, but the journal is damaged: "
        "what is lost, and why, is told in lines, and is kept in the run file. 2: it cannot be "
        "done.",
    )
    parser.add_argument("journal", metavar="JOURNAL", help="The journal: run.h5.journal.")
    parser.add_argument("--out", required=True, metavar="RUN.h5", help="The run file to make.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Recover and say what was lost; 1 if anything was.

    Raises
    ------
    OSError, JournalError, RunFileError, SealError
        The journal cannot be used, or there is something at ``--out``.
    """

    with ProgressLine() as progress:
        damage = recover(args.journal, args.out, progress=progress)
    with open_run(args.out) as opened:
        for line in damage_words(opened.gaps(), opened.events()):
            print(f"testcar recover: {args.journal}: {line}", file=sys.stderr)
        records = sum(device.n for device in opened.devices.values())
        marks = len(opened.marks())
        print(
            f"{args.out}: recovered {opened.duration_s:.1f} s, {many(records, 'record')},"
            f" {many(marks, 'mark')}; the journal {args.journal} is kept: remove it when you have"
            " checked the run"
        )
    return 1 if damage else 0
