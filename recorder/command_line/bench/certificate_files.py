"""Certificates of any kind in files: worked out again, and laid out for signing."""

from __future__ import annotations

import argparse
import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.certificates.certificate import (
    CertificateError,
    document_digest,
    load_document,
    parse_certificate_document,
)
from calibration.proof.recomputed import Outcome, recompute
from recorder.command_line.support.json_answer import print_json
from recorder.machine.version import software
from recorder.report.certificate.certificate_pdf import certificate_pdf

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["add_verify_and_pdf", "lay_out", "verify", "write_whole"]


def add_verify_and_pdf(
    ways: argparse._SubParsersAction[argparse.ArgumentParser], *, kind: str
) -> None:
    """Add ``verify`` and ``pdf`` to a verb that makes certificates of one kind."""
    parser = ways.add_parser(
        "verify",
        help="work a certificate out again from what was measured",
        description="Work a certificate out again from what was measured. Exit 1: it disagrees.",
    )
    parser.add_argument("certificate", metavar="CERT")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")
    parser.set_defaults(run=lambda a: verify(a.certificate, kind=kind, as_json=a.json))
    parser = ways.add_parser(
        "pdf",
        help="lay a certificate out for signing",
        description="Lay a certificate out as a PDF for signing.",
    )
    parser.add_argument("certificate", metavar="CERT")
    parser.add_argument("--out", metavar="PDF", required=True)
    parser.set_defaults(run=lambda a: lay_out(a.certificate, a.out, kind=kind))


def verify(path: str, *, kind: str, as_json: bool) -> int:
    """Work a certificate out again and say whether it agrees: 0 it does, 1 it does not.

    Raises
    ------
    CertificateError
        Not a certificate of the kind, or nothing is held that it could be worked out from.
    """
    document = _of_kind(path, kind)
    found = _disagreements(document, path)
    if as_json:
        print_json({"file": path, "agrees": not found, "differences": found})
    elif found:
        print(f"{path}: does not agree with what was measured: {found[0]}")
        for line in found[1:]:
            print(f"  {line}")
    else:
        print(f"{path}: {document.get('certificate_id')}: digest and every figure agree")
    return 1 if found else 0


def lay_out(path: str, out: str, *, kind: str) -> int:
    """Write the paper of a certificate, of one only that what was measured bears out.

    Raises
    ------
    CertificateError
        Not a certificate of the kind, one that disagrees with what was measured, or one that
        holds nothing to lay out.
    OSError
        The paper cannot be written.
    """
    document = _of_kind(path, kind)
    computed = document_digest(document)
    if document.get("digest") != computed:
        msg = f"{path}: damaged or edited: its digest does not agree; nothing is laid out"
        raise CertificateError(msg)
    again = recompute(document, software=software())
    if again.outcome is Outcome.CONTRADICTED:
        msg = f"{path}: {again.words}; nothing is laid out for signing"
        raise CertificateError(msg)
    write_whole(Path(out), certificate_pdf(parse_certificate_document(document, source=path)))
    print(f"pdf: {out}")
    if again.outcome is not Outcome.FOLLOWS:
        print(f"note: {again.words}")
    return 0


def _of_kind(path: str, kind: str) -> dict[str, Any]:
    document = load_document(path)
    if document.get("kind") != kind:
        msg = f"{path}: a certificate of kind {document.get('kind')!r}, not {kind!r}"
        raise CertificateError(msg)
    return document


def _disagreements(document: Mapping[str, Any], path: str) -> list[str]:
    computed = document_digest(document)
    found = []
    if document.get("digest") != computed:
        found.append(f"digest: stated {document.get('digest')}, computed {computed}")
    again = recompute(document, software=software())
    if again.outcome is Outcome.NOT_PROVABLE:
        msg = f"{path}: {again.words}"
        raise CertificateError(msg)
    return [*found, *again.found]


def write_whole(path: Path, data: bytes) -> None:
    """Whole or not at all."""
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        # The person named the place, not the piece beside it; a full disk names none at all.
        raise OSError(error.errno, f"cannot be written: {error.strerror}", str(path)) from error
