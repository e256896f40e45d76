"""``testcar export RUN --format csv --out DIR``: tables out of a run."""

from __future__ import annotations

import argparse
from typing import Any

from calibration.quantities.flags import ALL_FLAGS, describe
from recorder.command_line.support.progress import ProgressLine
from recorder.exchange.export import export_run
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "export",
        description="Write a run as tables: one for each channel (time, value, counts and "
        "flags; each column is named by quantity and unit), one of the drawbar power, one of the "
        "marks and one of the gaps. A text that a spreadsheet would run as a formula stands "
        "behind an apostrophe.",
        epilog="Example:\n  testcar export run.h5 --format csv --out tables\n\n"
        "The column of flags adds up: "
        f"{', '.join(f'{bit} {describe(bit)}' for bit in ALL_FLAGS)}.",
    )
    parser.add_argument("file", metavar="RUN", help="The run file.")
    parser.add_argument(
        "--format", choices=["csv", "parquet"], default="csv",
        help="The form of the tables; by default csv.",
    )  # fmt: skip
    parser.add_argument(
        "--out", required=True, metavar="DIR", help="The folder to write the tables into."
    )
    parser.add_argument(
        "--replace", action="store_true", help="Replace tables that are there already."
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the tables and say which.

    Raises
    ------
    OSError, RunFileError
        The run cannot be read, or the folder cannot be written.
    """

    with ProgressLine() as progress:
        refuse_damaged(args.file, progress=progress)
    with ProgressLine() as progress, open_run(args.file) as opened:
        written = export_run(
            opened, args.out, form=args.format, replace=args.replace, progress=progress
        )
    for path in written:
        print(path)
    return 0
