"""``testcar verify RUN``: is the run file what was sealed?"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from recorder.analysis.campaign.loading import load_runs
from recorder.command_line.support.doubts_told import doubts_json, tell_doubts
from recorder.command_line.support.progress import ProgressLine
from recorder.run_file.seal.verify import verify_run

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "verify",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Check every dataset of a run file against the digests stored when it was\n"
        "sealed, its structure, its times, and its companion file; with --deep, also whether\n"
        "the record can be true: pull against grade and acceleration, speed against distance …",
        epilog="Examples:\n  testcar verify run.h5\n  testcar verify --deep run.h5\n\n"
        "Exit code 0: sound; 1: damaged, not sealed, or doubted, one line a finding;\n"
        "2: not a run file.",
    )
    parser.add_argument("file", metavar="RUN", help="the run file")
    parser.add_argument(
        "--deep", action="store_true", help="check whether the record can be true, too"
    )
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
    told: dict[str, Any] = {"file": args.file, "sound": not findings, "findings": findings}
    for line in findings:
        print(f"testcar verify: {args.file}: {line}", file=sys.stderr)
    if not findings and not args.json:
        print(f"{args.file}: sound")
    # What is damaged is not worked on.
    run = load_runs([Path(args.file)])[0] if args.deep and not findings else None
    doubts = () if run is None else run.doubts
    if run is not None:
        told["checks"] = [{"name": c.name, "outcome": c.outcome} for c in run.checks]
        told["doubts"] = doubts_json(doubts)
        tell_doubts("verify", doubts)
    if args.json:
        print(json.dumps(told))
    elif run is not None:
        print("\n".join(f"{c.name}: {c.outcome}" for c in run.checks))
    return 1 if findings or any(d.stands for d in doubts) else 0
