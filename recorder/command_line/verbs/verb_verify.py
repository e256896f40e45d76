"""``testcar verify RUN``: is the run file what was sealed, and what does it prove?"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from recorder.analysis.proof.prove import prove_run
from recorder.command_line.support.progress import ProgressLine
from recorder.command_line.support.proofs_told import proofs_json, proofs_words
from recorder.command_line.support.standings_told import (
    refused_words,
    standings_json,
    standings_words,
)
from recorder.exchange.damage_told import damage_words
from recorder.exchange.time_told import ClockOfRun, clock_of, clock_words
from recorder.run.parts.errors import UnreadableError
from recorder.run.values.certificate_standing import Standings, standings_of
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "verify",
        description="Check that a run file is as it was sealed, that its times can be, and "
        "whose its certificates are and who signed them.\n\n"
        "With --deep, everything that was worked out from the counts is worked out again and "
        "compared: records against gaps; values by the certificates; times and UTC; the history "
        "of the marks; every certificate from its readings; and whether the record can be true. "
        "It says what is proved, what could not be checked, what is contradicted, and what "
        "nobody can prove from the file alone.",
        epilog="Examples:\n  testcar verify run.h5\n  testcar verify --deep run.h5\n"
        "  testcar verify --deep --json run.h5\n\n"
        "Exit code 0: it is as it was sealed (what was lost with a damaged journal before that "
        "is told), or with --deep nothing is contradicted. 1: it is damaged, "
        "not sealed or contradicted; each finding is one line. 2: it is no run file.",
    )
    parser.add_argument("file", metavar="RUN", help="The run file.")
    parser.add_argument(
        "--deep", action="store_true", help="Work everything out again, too, and compare."
    )
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check; 0 sound, 1 not.

    Raises
    ------
    OSError, RunFileError
        Not a run file, or it cannot be read.
    """
    return _deep(args) if args.deep else _digests(args)


def _digests(args: argparse.Namespace) -> int:
    with ProgressLine() as progress:
        findings = verify_run(args.file, progress=progress)
    time: list[str] = []
    lost: list[str] = []
    standing: Standings = {}
    added = ""
    if not findings:
        # Bytes as they were sealed do not make a clock right, nor a part one that reads.
        try:
            clock, standing, lost, added = _told(args.file)
        except UnreadableError as error:
            findings = [f"does not read: {error.words}"]
        else:
            findings, time = list(clock.impossible), clock_words(clock)
            findings += refused_words(standing)
    for line in findings:
        print(f"testcar verify: {args.file}: {line}", file=sys.stderr)
    if args.json:
        told = {"file": args.file, "sound": not findings, "findings": findings}
        more = {"journal_damage": lost, "time": time, "certificates": standings_json(standing)}
        print(json.dumps({**told, **more, "added": added}))
    elif not findings:
        told_so = [*_sound(args.file, lost), *time, *standings_words(standing)]
        print("\n".join([*told_so, *([added] if added else [])]))
    return 1 if findings else 0


def _told(path: str) -> tuple[ClockOfRun, Standings, list[str], str]:
    """Clock, certificates, what was lost with the journal, and how additions are held."""
    with open_run(path) as run:
        run.revisions()  # what is damaged in them is raised
        lost, added = damage_words(run.gaps(), run.events()), run.companion.protection()
        return clock_of(run), standings_of(run.header, readings=False), lost, added


def _sound(path: str, lost: list[str]) -> list[str]:
    if not lost:
        return [f"{path}: sound"]
    state = "as it was sealed; but the journal that it was made from was damaged:"
    return [f"{path}: {state}", *(f"  {line}" for line in lost)]


def _deep(args: argparse.Namespace) -> int:
    with ProgressLine() as progress:
        proven = prove_run(Path(args.file), progress=progress)
    if args.json:
        print(json.dumps(proofs_json(proven)))
    else:
        print("\n".join(proofs_words(proven)))
    return 1 if proven.contradicted else 0
