"""The certificates in the file: whose, worked out again, signed, in force on the day."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from calibration.certificates.certificate import (
    CertificateError,
    document_digest,
    parse_certificate,
    parse_document,
)
from calibration.certificates.days import before_issue
from recorder.run.values.calibrate import day_of
from recorder.run.values.certificate_standing import Asked, Standing, standing_in_run
from recorder.run_file.proof.parts.proof import Check, Proof, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from calibration.certificates.certificate import Certificate
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_certificates"]

_STATES: Final = {
    Standing.GOOD: State.PROVED,
    Standing.NOT_ASKED: State.NOT_PROVED,
    Standing.DOUBT: State.NOT_PROVED,
    Standing.REFUSED: State.CONTRADICTED,
}


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
    yield from _standing(held, name)
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


def _standing(held: Held, name: str) -> Iterator[Proof]:
    """Serial, readings, signature: whose it is, whether its figures follow, who issued it."""
    found = [*standing_in_run(held.header, name)]
    for finding in found:
        if finding.asked is Asked.READINGS:
            right = "its digest is right; "
            yield _proof(name, _STATES[finding.standing], right + finding.words)
        elif finding.standing is not Standing.NOT_ASKED:
            yield _proof(name, _STATES[finding.standing], finding.words)
    bare = [
        finding.words
        for finding in found
        if finding.asked is not Asked.READINGS and finding.standing is Standing.NOT_ASKED
    ]
    if bare:
        yield _proof(name, State.NOT_PROVED, "; ".join(bare))


def _day(held: Held, name: str, certificate: Certificate) -> Iterator[Proof]:
    """Whether it was in force on the day of the run."""
    day = day_of(held.header)
    if certificate.expires is not None and day > certificate.expires:
        words = (
            f"it had expired on {certificate.expires}, the run is of {day}: nothing shows that"
            " it still held"
        )
        yield _proof(name, State.NOT_PROVED, words)
    if before_issue(certificate.issued, day):
        words = (
            f"it was issued on {certificate.issued} and is in a run that began on {day} by the"
            " computer's clock: one of the two dates is wrong"
        )
        yield _proof(name, State.CONTRADICTED, words)


def _proof(name: str, state: State, words: str) -> Proof:
    return Proof(check=Check.CERTIFICATES, of=name, state=state, words=words)
