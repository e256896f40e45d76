"""``testcar recover JOURNAL --out RUN.h5``: a run file from a journal that was left behind."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from calibration.quantities.written import many
from recorder.command_line.support.progress import ProgressLine
from recorder.keeping.journal_rows import Damage
from recorder.keeping.seal import recover
from recorder.run_file.hdf5.reader import open_run

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "recover",
        description="Make a sealed run file from the journal of a recording that was cut off. "
        "The journal is kept. No run file is overwritten; the unfinished file of this very run "
        "is moved aside.",
        epilog="Example:\n  testcar recover run.h5.journal --out run.h5\n\n"
        "Exit code 0: it is done; what was lost is told, and is a gap in the run. 2: it cannot "
        "be done.",
    )
    parser.add_argument("journal", metavar="JOURNAL", help="The journal: run.h5.journal.")
    parser.add_argument("--out", required=True, metavar="RUN.h5", help="The run file to make.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Recover and say what was lost.

    Raises
    ------
    OSError, JournalError, RunFileError, SealError
        The journal cannot be used, or there is something at ``--out``.
    """

    with ProgressLine() as progress:
        damage = recover(args.journal, args.out, progress=progress)
    for loss in damage:
        print(
            f"testcar recover: {args.journal}: {loss.table} {_rows(loss)} {loss.why}",
            file=sys.stderr,
        )
    with open_run(args.out) as opened:
        records = sum(device.n for device in opened.devices.values())
        marks = len(opened.marks())
        print(
            f"{args.out}: recovered {opened.duration_s:.1f} s, {many(records, 'record')},"
            f" {many(marks, 'mark')}; the journal {args.journal} is kept: remove it when you have"
            " checked the run"
        )
    return 0


def _rows(loss: Damage) -> str:
    if loss.last_row is None:
        return f"from row {loss.row} on"
    return (
        f"row {loss.row}" if loss.last_row == loss.row else f"rows {loss.row}-{loss.last_row}"
    )
