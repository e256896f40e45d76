"""``testcar verify RUN``: is the run file what was sealed, and what does it prove?"""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.certificates.signature import (
    LaboratoryKey,
    read_public_key,
    read_small_file,
)
from calibration.quantities.printable import one_line
from recorder.analysis.proof.prove import prove_run
from recorder.command_line.support.progress import ProgressLine
from recorder.command_line.support.proofs_told import proofs_json, proofs_words
from recorder.command_line.support.standings_told import (
    refused_words,
    standings_json,
    standings_words,
)
from recorder.exchange.damage_told import damage_words
from recorder.exchange.signature_told import (
    demanded,
    proves,
    signature_words,
)
from recorder.exchange.time_stamp import write_request
from recorder.exchange.time_told import clock_of, clock_words
from recorder.run.parts.errors import RunFileError, UnreadableError
from recorder.run.values.certificate_standing import Standings, standings_of
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.signature import Signed, Standing, signature_of
from recorder.run_file.seal.verify import verify_run

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "verify",
        description="Check that a run file is as it was sealed, that its times can be, and "
        "whose its certificates are and who signed them, and whether the run itself is signed.\n\n"
        "A digest guards against damage, not against intent: anybody can change a run and make a "
        "new digest. A signature by the car's key cannot be made without that key. With --key, it "
        "is demanded: a run that is unsigned, signed by another key, or changed since is refused. "
        "Notes added after the seal are in no signature.\n\n"
        "With --deep, everything that was worked out from the counts is worked out again and "
        "compared: records against gaps; values by the certificates; times and UTC; the history "
        "of the marks; every certificate from its readings; and whether the record can be true. "
        "It says what is proved, what could not be checked, what is contradicted, and what "
        "nobody can prove from the file alone.",
        epilog="Examples:\n  testcar verify run.h5\n  testcar verify --deep run.h5\n"
        "  testcar verify --deep --json run.h5\n"
        "  testcar verify --key car.pub run.h5\n"
        "  testcar verify --ask-time-stamp run.h5\n\n"
        "Exit code 0: it is as it was sealed (what was lost with a damaged journal before that "
        "is told), or with --deep nothing is contradicted. 1: it is damaged, not sealed, "
        "contradicted, or not signed as --key demands; each finding is one line. 2: it is no run "
        "file, or the key cannot be read.",
    )
    parser.add_argument("file", metavar="RUN", help="The run file.")
    parser.add_argument(
        "--deep", action="store_true", help="Work everything out again, too, and compare."
    )
    parser.add_argument(
        "--ask-time-stamp", action="store_true",
        help="Where the run is sound, write RUN.tsq beside it, a request (RFC 3161) for a time "
        "stamp over the whole file. Nothing is sent: send it to an authority of your choice. "
        "The answer is checked by openssl ts -verify -data RUN -in RUN.tsr -CAfile AUTHORITY.pem.",
    )  # fmt: skip
    parser.add_argument(
        "--key", metavar="CAR.pub",
        help="Demand that the run is signed by this public key. Without it, a signature is looked "
        "at, and its key is told.",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check; 0 sound, 1 not.

    Raises
    ------
    OSError, RunFileError
        Not a run file, or it cannot be read.
    """
    key = None if args.key is None else _public_key(Path(args.key))
    code = _deep(args, key) if args.deep else _digests(args, key)
    if args.ask_time_stamp and code == 0:
        request = write_request(Path(args.file))
        print(f"request for a time stamp: {request}; nothing was sent", file=sys.stderr)
    return code


def _public_key(path: Path) -> LaboratoryKey:
    return read_public_key(read_small_file(path), source=str(path))


@dataclass(slots=True)
class _Told:
    """What is said of a run beyond its findings."""

    time: list[str] = field(default_factory=list)
    standing: Standings = field(default_factory=dict)
    lost: list[str] = field(default_factory=list)
    """With the journal."""
    added: str = ""
    mended: list[str] = field(default_factory=list)
    """The notes."""
    signed: Signed = field(default_factory=lambda: Signed(standing=Standing.NONE))
    signature: list[str] = field(default_factory=list)


def _digests(args: argparse.Namespace, key: LaboratoryKey | None) -> int:
    with ProgressLine() as progress:
        findings = verify_run(args.file, progress=progress)
    told = _Told()
    if not findings:
        # Bytes as they were sealed do not make a clock right, nor a part one that reads.
        try:
            findings = _look(args, key, told)
        except UnreadableError as error:
            findings = [f"does not read: {error.words}"]
    _tell_findings(args.file, findings)
    if args.json:
        answer = {
            "file": args.file,
            "sound": not findings,
            "findings": findings,
            "journal_damage": told.lost,
            "time": told.time,
            "certificates": standings_json(told.standing),
            "added": told.added,
            "notes_mended": told.mended,
            "signature": told.signed.to_json(),
        }
        print(json.dumps(answer))
    elif not findings:
        lines = [*_sound(args.file, told.lost), *told.time, *standings_words(told.standing)]
        lines += [*told.signature, *([told.added] if told.added else [])]
        lines += map(one_line, told.mended)
        print("\n".join([*lines, *proves(told.signed, key)]))
    return 1 if findings else 0


def _look(args: argparse.Namespace, key: LaboratoryKey | None, told: _Told) -> list[str]:
    """What stands against a run whose bytes are sound; fills in what else there is to say."""
    with open_run(args.file) as run:
        run.revisions()  # what is damaged in them is raised
        told.lost = damage_words(run.gaps(), run.events())
        told.added, told.mended = run.companion.protection(), run.companion.mendings()
        clock = clock_of(run)
        told.time, told.standing = clock_words(clock), standings_of(run.header, readings=False)
        told.signed = signature_of(Path(args.file), run.header.run_id)
        told.signature = signature_words(told.signed, run.header)
    findings = [*clock.impossible, *refused_words(told.standing)]
    return findings + _signature_findings(args, key, told.signed)


def _sound(path: str, lost: list[str]) -> list[str]:
    if not lost:
        return [f"{path}: sound"]
    state = "as it was sealed; but the journal that it was made from was damaged:"
    return [f"{path}: {state}", *(f"  {line}" for line in lost)]


def _signature_findings(
    args: argparse.Namespace, key: LaboratoryKey | None, signed: Signed
) -> list[str]:
    if key is not None:
        words = demanded(signed, key, Path(args.key))
        return [words] if words else []
    return [signed.in_words()] if signed.standing is Standing.FALSE else []


def _tell_findings(file: str, findings: list[str]) -> None:
    for line in findings:
        print(f"testcar verify: {file}: {line}", file=sys.stderr)


def _deep(args: argparse.Namespace, key: LaboratoryKey | None) -> int:
    with ProgressLine() as progress:
        proven = prove_run(Path(args.file), progress=progress)
    signed, words = Signed(standing=Standing.NONE), list[str]()
    # What does not open is contradicted already, in words of its own.
    with contextlib.suppress(RunFileError), open_run(args.file) as run:
        signed = signature_of(Path(args.file), run.header.run_id)
        words = signature_words(signed, run.header)
    findings = _signature_findings(args, key, signed)
    if args.json:
        print(json.dumps({**proofs_json(proven), "signature": signed.to_json()}))
    else:
        # Of bytes that are not as they were sealed neither digest nor signature proves anything.
        seal = [*words, *proves(signed, key)] if proven.as_sealed else []
        print("\n".join([*seal, *proofs_words(proven)]))
    _tell_findings(args.file, findings)
    return 1 if proven.contradicted or findings else 0
