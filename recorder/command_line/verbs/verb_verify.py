"""``testcar verify RUN``: is the run file what was sealed?"""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any

from recorder.command_line.support.progress import ProgressLine
from recorder.run_file.seal.verify import verify_run

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "verify",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Check every dataset of a run file against the digests stored when it was\n"
        "sealed, its structure, its times, and its companion file.",
        epilog="Example:\n  testcar verify run.h5\n\n"
        "Exit code 0: sound; 1: damaged or not sealed, one line a finding; 2: not a run file.",
    )
    parser.add_argument("file", metavar="RUN", help="the run file")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check; 0 sound, 1 not.

    Raises
    ------
    OSError, RunFileError
        Not a run file, or it cannot be read.
    """

    with ProgressLine() as progress:
        findings = verify_run(args.file, progress=progress)
    if args.json:
        print(json.dumps({"file": args.file, "sound": not findings, "findings": findings}))
    for line in findings:
        print(f"testcar verify: {args.file}: {line}", file=sys.stderr)
    if not findings and not args.json:
        print(f"{args.file}: sound")
    return 1 if findings else 0
