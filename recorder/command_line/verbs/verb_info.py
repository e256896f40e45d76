"""``testcar info RUN``: what a run file holds."""

from __future__ import annotations

import argparse
from typing import Any

from calibration.quantities.printable import one_line
from recorder.command_line.support.json_answer import print_json
from recorder.command_line.support.standings_told import standings_json, standings_words
from recorder.exchange.description import describe, in_words
from recorder.run.values.certificate_standing import standings_of
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "info",
        description="Tell what a run file holds: devices, channels, certificates, marks, gaps "
        "and how well its clocks agree. A run that is being recorded can be asked, too. Whether "
        "the file is sound is told by testcar verify.",
        epilog="Examples:\n  testcar info run.h5\n  testcar info run.h5 --json",
    )
    parser.add_argument("file", metavar="RUN", help="The run file.")
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print it.

    Raises
    ------
    OSError, RunFileError
        The file cannot be read.
    """

    refuse_damaged(args.file)
    with open_run(args.file) as opened:
        held, standing = describe(opened), standings_of(opened.header, readings=False)
        mended = opened.companion.mendings()
    if args.json:
        told = {"standings": standings_json(standing), "notes_mended": mended}
        print_json({**held.to_json(), **told})
    else:
        print("\n".join([in_words(held), *standings_words(standing), *map(one_line, mended)]))
    return 0
