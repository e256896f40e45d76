"""How a certificate stands: is it that cell's, do its figures follow, and who issued it?

Asked before a recording of the files that a car sheet names, and afterwards of the run, which
holds certificates, serial numbers, signatures and public keys: one answer at every place. What
each finding proves, and what none of them does, stands in :data:`PROVES`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from calibration.certificates.certificate import (
    CertificateError,
    parse_certificate,
    parse_document,
    same_serial,
)
from recorder.machine.version import software

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calibration.certificates.certificate import Certificate
    from recorder.run.parts.header import RunHeader

__all__ = [
    "PROVES",
    "Asked",
    "Finding",
    "Standing",
    "Standings",
    "in_order",
    "readings_finding",
    "serial_finding",
    "signature_finding",
    "standing_in_run",
    "standings_of",
    "told",
]

PROVES: Final = (
    "A digest shows that a certificate is unchanged since whoever wrote it; its readings, that its"
    " figures follow from them; a signature, that the holder of the key issued it (whose key it is,"
    " the laboratory tells by its fingerprint). None of them proves that the readings were taken."
)


class Asked(StrEnum):
    """What is asked of a certificate."""

    SERIAL = "serial"
    READINGS = "readings"
    SIGNATURE = "signature"


class Standing(StrEnum):
    """What the answer is worth."""

    GOOD = "good"
    NOT_ASKED = "not asked"
    """There is nothing to hold it against, and nobody says that there should be: it is listed."""
    DOUBT = "doubt"
    """What could show it is not there, or not enough: it is told."""
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Finding:
    """One answer; the words go on after the certificate's name."""

    asked: Asked
    standing: Standing
    words: str


Standings: TypeAlias = dict[str, tuple[Finding, ...]]
"""By the name channels use, in the order told."""


def told(standings: Standings, standing: Standing) -> list[str]:
    """What has come out so, a line each."""
    return [
        f"certificate {name}: {finding.words}"
        for name, found in standings.items()
        for finding in found
        if finding.standing is standing
    ]


def in_order(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """Findings of one certificate in the order in which they are told."""
    order = list(Asked)
    return tuple(sorted(found, key=lambda finding: order.index(finding.asked)))


def serial_finding(certificate: Certificate, named: str) -> Finding:
    """Whether it is the certificate of the cell (or wheel) that the car sheet names by serial."""
    held = certificate.serial
    if not held and not named:
        words = "no serial number stands in it or in the car sheet"
        return Finding(Asked.SERIAL, Standing.NOT_ASKED, words)
    if not held:
        words = (
            f"it states no serial number, the car sheet names {named!r}: nothing shows that it is"
            " of that one"
        )
        return Finding(Asked.SERIAL, Standing.DOUBT, words)
    if not named:
        words = (
            f"it is of serial {held!r}, the car sheet names none: give serial in the sheet as it"
            " stands on what is mounted"
        )
        return Finding(Asked.SERIAL, Standing.DOUBT, words)
    if not same_serial(held, named):
        words = (
            f"it is of serial {held!r}, the car sheet names {named!r}: give the certificate of"
            " what is mounted, or mend serial"
        )
        return Finding(Asked.SERIAL, Standing.REFUSED, words)
    return Finding(Asked.SERIAL, Standing.GOOD, f"of serial {held!r}, as the car sheet names")


def readings_finding(document: Mapping[str, Any]) -> Finding:
    """Whether curve and uncertainty follow from the readings in a sound certificate."""
    details = document.get("details")
    if document.get("kind") == "force" and not (
        isinstance(details, Mapping) and details.get("readings") is not None
    ):
        words = "not provable: it holds no readings, so nothing shows that its figures follow"
        return Finding(Asked.READINGS, Standing.DOUBT, words)
    # The evaluation brings libraries along that take longer to load than all else of a start.
    from calibration.proof.recomputed import Outcome, recompute

    found = recompute(document, software=software())
    standing = {
        Outcome.FOLLOWS: Standing.GOOD,
        Outcome.OTHER_EDITION: Standing.DOUBT,
        Outcome.NOT_PROVABLE: Standing.DOUBT,
        Outcome.CONTRADICTED: Standing.REFUSED,
    }[found.outcome]
    lead = "not provable: it " if found.outcome is Outcome.NOT_PROVABLE else ""
    return Finding(Asked.READINGS, standing, lead + found.words)


def signature_finding(
    document: Mapping[str, Any], signature: str, keys: Mapping[str, str]
) -> Finding:
    """Who issued it; ``keys`` are the public keys, as text, of the laboratories trusted."""
    if not keys:
        words = "not signed, and no laboratory's key is named in the car sheet"
        return Finding(Asked.SIGNATURE, Standing.NOT_ASKED, words)
    if not signature:
        words = (
            f"it has no signature, though the car sheet trusts {', '.join(keys)}: nothing shows"
            " who issued it"
        )
        return Finding(Asked.SIGNATURE, Standing.DOUBT, words)
    # Few cars name keys: the others do not wait for the library.
    from calibration.certificates.signature import check_signature, read_public_key

    try:
        held = {name: read_public_key(text, source=name) for name, text in keys.items()}
        name = check_signature(document, signature, held, source="its signature")
    except CertificateError as error:
        return Finding(Asked.SIGNATURE, Standing.REFUSED, str(error))
    words = f"signed by {name}, key {held[name].fingerprint}"
    return Finding(Asked.SIGNATURE, Standing.GOOD, words)


def standing_in_run(
    header: RunHeader, name: str, *, readings: bool = True
) -> Iterator[Finding]:
    """The answers of one certificate of a run, by the name channels use.

    ``readings=False`` does not work it out again, which takes the longest.

    Raises
    ------
    CertificateError
        It does not read, or its digest is wrong.
    """
    text = header.certificates[name]
    document = parse_document(text, source="it")
    certificate = parse_certificate(text, source="it")
    users = [channel for channel in header.channels if channel.certificate == name]
    for serial in dict.fromkeys(channel.serial for channel in users):
        yield serial_finding(certificate, serial)
    if readings:
        yield readings_finding(document)
    yield signature_finding(document, header.signatures.get(name, ""), header.laboratory_keys)


def standings_of(header: RunHeader, *, readings: bool = True) -> Standings:
    """The same of every certificate of a run; one that does not read is refused as a whole."""
    found: Standings = {}
    for name in header.certificates:
        try:
            found[name] = in_order([*standing_in_run(header, name, readings=readings)])
        except CertificateError as error:
            found[name] = (Finding(Asked.READINGS, Standing.REFUSED, str(error)),)
    return found
