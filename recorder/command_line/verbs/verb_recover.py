"""``testcar recover JOURNAL --out RUN.h5``: a run file from a journal that was left behind."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from calibration.certificates.signing_key import load_signing_key
from calibration.quantities.written import many
from recorder.command_line.support.progress import ProgressLine
from recorder.exchange.damage_told import damage_words
from recorder.keeping.seal import recover
from recorder.run.parts.errors import CompanionError
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.signature import SignedAt, Signer

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "recover",
        description="Make a sealed run file from the journal of a recording that was cut off. "
        "Every page of a damaged journal is searched for what can still be read. "
        "The journal is kept. No run file is overwritten; an unfinished, torn or unreadable file "
        "of this very run is moved aside and kept.",
        epilog="Example:\n  testcar recover run.h5.journal --out run.h5\n\n"
        "Exit code 0: it is done and nothing is lost. 1: it is done, but the journal is damaged: "
        "what is lost, and why, is told in lines, and is kept in the run file. 2: it cannot be "
        "done.",
    )
    parser.add_argument("journal", metavar="JOURNAL", help="The journal: run.h5.journal.")
    parser.add_argument("--out", required=True, metavar="RUN.h5", help="The run file to make.")
    parser.add_argument(
        "--sign-with", metavar="CAR.key",
        help="Sign the run by this private key; it says that it was signed at its recovery. "
        "Without it, the run is not signed.",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Recover and say what was lost; 1 if anything was.

    Raises
    ------
    OSError, JournalError, RunFileError, SealError, SignatureError
        The journal or the key cannot be used, or there is something at ``--out``.
    """
    aside: list[Path] = []
    signer = None
    if args.sign_with is not None:
        # Before anything else: a key that cannot be used is told before an hour of work.
        signer = Signer(load_signing_key(Path(args.sign_with)), SignedAt.RECOVERY)
    with ProgressLine() as progress:
        damage = recover(
            args.journal, args.out,
            progress=progress, moved_aside=aside.append, signer=signer,
        )  # fmt: skip
    print(_recovered(args.journal, args.out, len(damage)))
    more = "; it may hold what the journal lost: keep it" if damage else ""
    for place in aside:
        print(f"{place}: the file that was at {args.out}, kept as it was{more}")
    print(
        f"{args.journal}: the journal is kept; check the run (testcar verify {args.out}), then"
        " remove it"
    )
    return 1 if damage else 0


def _recovered(journal: str, out: str, losses: int) -> str:
    """What there is; what was lost is told beside it."""
    try:
        with open_run(out) as opened:
            for line in damage_words(opened.gaps(), opened.events()):
                print(f"testcar recover: {journal}: {line}", file=sys.stderr)
            records = sum(device.n for device in opened.devices.values())
            marks = len(opened.marks())
            return (
                f"{out}: recovered {opened.duration_s:.1f} s, {many(records, 'record')},"
                f" {many(marks, 'mark')}"
            )
    except CompanionError as error:
        # Notes of the file that was there before.
        lost = f", with losses ({losses}) that testcar info tells" if losses else ""
        return f"{out}: recovered{lost}; beside it {error}"
