"""Certificates of any kind in files: worked out again, and laid out for signing."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path
from typing import Any, Final

from calibration.certificates.certificate import (
    CertificateError,
    document_digest,
    load_document,
    parse_certificate_document,
)
from calibration.evaluation.verify import verify_document
from calibration.files import durable
from calibration.proof.recomputed import Outcome, Recomputed, recompute
from calibration.quantities.printable import printable
from recorder.command_line.bench.bench_signing import add_signed, signed_words
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.json_answer import print_json
from recorder.machine.version import software
from recorder.report.certificate.certificate_pdf import certificate_pdf
from recorder.run.values.certificate_standing import PROVES

__all__ = ["add_verify_and_pdf", "day_of", "lay_out", "verify", "write_new"]

MOST_TOLD: Final = 10
"""Disagreements told one by one; --json lists all."""


def add_verify_and_pdf(
    ways: argparse._SubParsersAction[argparse.ArgumentParser], *, verb: str, kind: str
) -> None:
    """Add ``verify`` and ``pdf`` to a verb that makes certificates of one kind."""
    parser = ways.add_parser(
        "verify",
        help="Work a certificate out again from what was measured.",
        description="Work a certificate out again from what was measured.",
        epilog=f"Example:\n  testcar {verb} verify {kind}.cert.json --key lab.pub\n\n"
        "Exit code 0: it agrees. 1: it does not. 2: it does not read, or holds no readings.",
    )
    parser.add_argument("certificate", metavar="CERT", help="The certificate.")
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    add_signed(parser)
    parser.set_defaults(run=lambda a: verify(a, kind=kind))
    parser = ways.add_parser(
        "pdf",
        help="Lay a certificate out on paper, to be signed.",
        description="Lay a certificate out as a PDF, to be signed by hand.",
        epilog=f"Example:\n  testcar {verb} pdf {kind}.cert.json --out {kind}.pdf",
    )
    parser.add_argument("certificate", metavar="CERT", help="The certificate.")
    parser.add_argument("--out", metavar="PDF", required=True, help="Where to write the PDF.")
    parser.set_defaults(run=lambda a: lay_out(a.certificate, a.out, kind=kind))


def verify(args: argparse.Namespace, *, kind: str) -> int:
    """Work a certificate out again and say whether it agrees: 0 it does, 1 it does not.

    With ``--key``, whether it is signed by that key, too.

    Raises
    ------
    CertificateError
        Not a certificate of the kind, or nothing is held that it could be worked out from and
        no key is given.
    OSError, UsageError
        A file cannot be read; a signature without a key.
    """
    path: str = args.certificate
    document = _of_kind(path, kind)
    found, again = _worked_out(document, path, provable=args.key is None)
    words = _words(found, again)
    try:
        signed = signed_words(args, document)
    except CertificateError as error:
        signed = ""
        found.append(str(error))
    if args.json:
        told = {"file": path, "agrees": not found, "differences": found}
        print_json({**told, "readings": words, "signature": signed, "proves": PROVES})
    elif found:
        print(printable(f"{path}: does not agree: {found[0]}"))
        for line in found[1:MOST_TOLD]:
            print(f"  {printable(line)}")
        if len(found) > MOST_TOLD:
            print(f"  and {len(found) - MOST_TOLD} more")
    else:
        print(printable(f"{path}: {document.get('certificate_id')}: {words}"))
        print(f"  {signed or 'the signature was not checked: give --key LAB.pub to check it'}")
        print(f"  {PROVES}")
    return 1 if found else 0


def _worked_out(
    document: dict[str, Any], source: str, *, provable: bool
) -> tuple[list[str], Recomputed]:
    """Every disagreement of a certificate with itself, and what working it out again came to."""
    again = recompute(document, software=software())
    if again.outcome is Outcome.NOT_PROVABLE and provable:
        msg = f"{source}: {again.words}"
        raise CertificateError(msg)
    computed = document_digest(document)
    found = []
    if document.get("digest") != computed:
        found.append(f"digest: stated {document.get('digest')}, computed {computed}")
    if again.outcome is not Outcome.FOLLOWS:
        return [*found, *again.found], again
    if document.get("kind") == "force" and not found:
        # At the bench also what a recording lets be: every last digit behind the figures.
        found = verify_document(document, source=source)
    return found, again


def _words(found: list[str], again: Recomputed) -> str:
    """What the readings give, beside what ``_worked_out`` found."""
    follows = again.outcome is Outcome.FOLLOWS
    if follows and not found:
        return "digest and every figure agree"
    if _damaged(found):
        return f"digest does not agree; {again.words}"
    if follows:
        return f"digest agrees; statements that its readings do not bear out: {len(found)}"
    return f"digest agrees; {again.words}"


def _damaged(found: list[str]) -> bool:
    return bool(found) and found[0].startswith("digest: ")


def lay_out(path: str, out: str, *, kind: str) -> int:
    """Write the paper of a certificate, of one only that ``verify`` finds nothing in.

    Raises
    ------
    CertificateError
        Not a certificate of the kind, one that disagrees with what was measured, or one that
        holds nothing to lay out.
    OSError
        The paper cannot be written.
    """
    document = _of_kind(path, kind)
    found, again = _worked_out(document, path, provable=False)
    if _damaged(found):
        msg = f"{path}: damaged or edited: its digest does not agree; nothing is laid out"
        raise CertificateError(msg)
    if found:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        msg = (
            f"{path}: its own readings do not give it: {found[0]}{more}; nothing is laid out"
            " for signing"
        )
        raise CertificateError(msg)
    durable.write_whole(
        Path(out), certificate_pdf(parse_certificate_document(document, source=path))
    )
    print(f"pdf: {out}")
    if again.outcome is not Outcome.FOLLOWS:
        print(printable(f"note: {again.words}"))
    return 0


def _of_kind(path: str, kind: str) -> dict[str, Any]:
    document = load_document(path)
    if document.get("kind") != kind:
        msg = f"{path}: a certificate of kind {document.get('kind')!r}, not {kind!r}"
        raise CertificateError(msg)
    return document


def day_of(text: str | None, option: str) -> date | None:
    """The day that an option states, if any; raises ``UsageError`` for what is none."""
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError as error:
        msg = f"{option} must be a day YYYY-MM-DD, got {text!r}"
        raise UsageError(msg) from error


def write_new(path: Path, text: str) -> None:
    """Where nothing stands yet; raises ``UsageError`` where something does, or ``OSError``."""
    try:
        durable.write_new(path, text.encode())
    except FileExistsError as error:
        msg = f"{path}: there already; a certificate is never overwritten, choose another name"
        raise UsageError(msg) from error
