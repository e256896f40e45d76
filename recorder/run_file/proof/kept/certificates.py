"""The certificates in the file: worked out again from their readings, in force on the day."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from calibration.certificates.certificate import (
    CertificateError,
    document_digest,
    parse_certificate,
    parse_document,
)
from calibration.evaluation.verify import verify_document
from calibration.evaluation.verify_wheel import verify_wheel
from recorder.run.values.calibrate import day_of, is_wheel
from recorder.run_file.proof.parts.proof import Check, Proof, State, first_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from calibration.certificates.certificate import Certificate
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_certificates"]

ZONES: Final = timedelta(days=1)
"""A certificate is dated by the day where it was issued, a run by UTC."""


def prove_certificates(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every certificate of the run; channels that name none are told."""
    certificates = held.header.certificates
    for i, (name, text) in enumerate(certificates.items()):
        yield from _prove(held, name, text)
        progress((i + 1) / len(certificates))
    bare = [
        channel.name
        for device in held.header.devices
        for channel in device.channels
        if not channel.certificate
    ]
    if bare:
        words = f"no certificate stands behind {', '.join(bare)}: the values are as they came"
        yield Proof(check=Check.CERTIFICATES, state=State.NOT_PROVED, words=words)


def _prove(held: Held, name: str, text: str) -> Iterator[Proof]:
    try:
        document = parse_document(text, source="it")
        certificate = parse_certificate(text, source="it")
    except CertificateError as error:
        yield _proof(name, State.CONTRADICTED, str(error).removeprefix("it: "))
        return
    if used := _unlike_channels(held, name, document):
        yield _proof(name, State.CONTRADICTED, used)
        return
    yield _worked_out(name, document, certificate)
    yield from _day(held, name, certificate)


def _unlike_channels(held: Held, name: str, document: dict[str, Any]) -> str:
    """A channel says which digest its certificate had when the run began."""
    digest = document_digest(document)
    for device in held.header.devices:
        for channel in device.channels:
            if channel.certificate != name:
                continue
            stated = held.store.attributes(f"devices/{device.name}/{channel.name}").get(
                "certificate_digest"
            )
            if isinstance(stated, bytes):
                stated = stated.decode("utf-8", "replace")
            if stated is None and not held.other_version:
                return f"channel {channel.name} does not say which digest it was begun with"
            if stated is not None and stated != digest:
                return (
                    f"channel {channel.name} was begun with a certificate of digest"
                    f" {str(stated)[:19]}…, the one in the file has {digest[:19]}…"
                )
    return ""


def _worked_out(name: str, document: dict[str, Any], certificate: Certificate) -> Proof:
    """From its own readings, or what was measured of the wheel."""
    try:
        if is_wheel(certificate):
            found = verify_wheel(certificate, source="it")
        else:
            found = verify_document(document, source="it")
    except CertificateError as error:
        why = str(error).removeprefix("it: ")
        return _proof(name, State.NOT_PROVED, f"its digest is right, but it {why}")
    if found:
        return _proof(name, State.CONTRADICTED, first_of(found))
    words = (
        "its digest is right; what was measured gives its circumference again, and its budget the"
        " uncertainty"
        if is_wheel(certificate)
        else "its digest is right, and its readings give every figure again"
    )
    return _proof(name, State.PROVED, words)


def _day(held: Held, name: str, certificate: Certificate) -> Iterator[Proof]:
    """Whether it was in force on the day of the run."""
    day = day_of(held.header)
    if certificate.expires is not None and day > certificate.expires:
        words = (
            f"it had expired on {certificate.expires}, the run is of {day}: nothing shows that"
            " it still held"
        )
        yield _proof(name, State.NOT_PROVED, words)
    if certificate.issued > day + ZONES:
        words = (
            f"it was issued on {certificate.issued} and is in a run that began on {day} by the"
            " computer's clock: one of the two dates is wrong"
        )
        yield _proof(name, State.CONTRADICTED, words)


def _proof(name: str, state: State, words: str) -> Proof:
    return Proof(check=Check.CERTIFICATES, of=name, state=state, words=words)
