"""Whether a certificate's figures follow from what was measured, and what that is worth.

The edition of the evaluation stands in a force certificate as ``details.evaluation`` (1 where it
is absent). One of this edition must give curve and uncertainty again to 1e-9; one of another
edition was worked out by other rules: see ``calibration.proof.other_edition``. That figures
follow from readings does not prove that the readings were taken.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from calibration.certificates.certificate import CertificateError, parse_certificate_document
from calibration.certificates.clock import ClockCertificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from calibration.evaluation.issue import EDITION
from calibration.evaluation.verify import (
    Difference,
    alike,
    check_provable,
    differences,
    evaluated_again,
    issued_again,
)
from calibration.evaluation.verify_clock import verify_clock
from calibration.evaluation.verify_wheel import verify_wheel
from calibration.proof.other_edition import OtherEdition

__all__ = ["Outcome", "Recomputed", "edition_of", "recompute"]

BEHIND_TOLERANCE: Final = 1e-6
"""Relative, of figures behind curve and uncertainty: a scatter of one part in 10^9 of the reading
is rounded otherwise on another machine."""
WORDING: Final = re.compile(
    r"details\.((settings|readings)\..+|cautions\[\d+\]"
    r"|results\.(.+\.)?(file|model|rule|formula|source|basis|reasons\[\d+\]))"
)
"""Where another version of the same edition may say other words, or keep more, than this one.
Nowhere else: a class with its range and conditions, and what is cautioned of, is what was found."""
LIMITING: Final = re.compile(r"caution|condition|refused|reason|range|statement")
"""What takes something back from a figure: it may not be missing."""


class Outcome(StrEnum):
    """What working a certificate out again came to."""

    FOLLOWS = "follows from its readings"
    OTHER_EDITION = "evaluated by another edition"
    NOT_PROVABLE = "not provable"
    CONTRADICTED = "contradicted by its readings"


@dataclass(frozen=True, slots=True)
class Recomputed:
    """A certificate worked out again."""

    outcome: Outcome
    words: str
    """Goes on after the certificate's name: ``its readings give …``."""
    found: tuple[str, ...] = ()
    """Every disagreement, where it is contradicted."""


def recompute(document: Mapping[str, Any], *, software: str) -> Recomputed:
    """Work a sound certificate document out again; its digest is not looked at.

    ``software`` is this program with its version: words of figures (not the figures) may be
    worded otherwise by another one of the same edition.

    Raises
    ------
    CertificateError
        The document is no certificate at all.
    """
    certificate = parse_certificate_document(document, source="it")
    try:
        if isinstance(certificate, WheelCertificate):
            return _wheel(certificate)
        if isinstance(certificate, ClockCertificate):
            return _clock(certificate)
        if _unreadable(document):
            return _contradicted(["readings: not a table"])
        check_provable(document, source="it")
    except CertificateError as error:
        return Recomputed(Outcome.NOT_PROVABLE, str(error).removeprefix("it: "))
    assert isinstance(certificate, ForceCertificate)
    return _force(document, certificate, software)


def _unreadable(document: Mapping[str, Any]) -> bool:
    """Whether readings are claimed, and they are none."""
    details = document.get("details")
    readings = details.get("readings") if isinstance(details, Mapping) else None
    return readings is not None and not isinstance(readings, Mapping)


def edition_of(document: Mapping[str, Any]) -> int:
    """The edition by which a force certificate's document was made; 1 where none stands in it.

    Raises
    ------
    CertificateError
        It is not a whole number above 0.
    """
    details = document.get("details")
    edition = details.get("evaluation", 1) if isinstance(details, Mapping) else 1
    if isinstance(edition, bool) or not isinstance(edition, int) or edition < 1:
        msg = f"details.evaluation must be a whole number above 0, got {edition!r}"
        raise CertificateError(msg)
    return edition


def _wheel(certificate: WheelCertificate) -> Recomputed:
    found = verify_wheel(certificate, source="it")
    if found:
        return _contradicted(found)
    words = "what was measured gives its circumference again, and its budget the uncertainty"
    return Recomputed(Outcome.FOLLOWS, words)


def _clock(certificate: ClockCertificate) -> Recomputed:
    found = verify_clock(certificate)
    if found:
        return _contradicted(found)
    return Recomputed(Outcome.FOLLOWS, "the pulses it keeps give rate and uncertainty again")


def _contradicted(found: list[str]) -> Recomputed:
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    words = f"its own readings do not give it: {found[0]}{more}"
    return Recomputed(Outcome.CONTRADICTED, words, tuple(found))


def _force(
    document: Mapping[str, Any], certificate: ForceCertificate, software: str
) -> Recomputed:
    try:
        edition = edition_of(document)
        evaluation = evaluated_again(document)
        if not evaluation.senses:
            return _contradicted(["readings: none of them is a reading of a step that is used"])
        if edition != EDITION:
            return _of_other_edition(OtherEdition.of(certificate, edition, evaluation))
        again = issued_again(document, evaluation)
    except (ValueError, ArithmeticError, LookupError, TypeError, AttributeError) as error:
        # Nobody vouches for what stands in the file: whatever it does to the evaluation is its own.
        return _contradicted([f"readings: nothing comes of them: {error}"])
    same = document.get("software", "") == software
    found = [d.words for d in differences(again, document) if _matters(d, same_software=same)]
    if found:
        return _contradicted(found)
    return Recomputed(Outcome.FOLLOWS, "its readings give curve and uncertainty again")


def _of_other_edition(held: OtherEdition) -> Recomputed:
    """By other rules: what they do not change is compared, and the curve within U."""
    found = [*held.found()]
    if not found:
        return Recomputed(Outcome.OTHER_EDITION, held.agreed)
    told = _contradicted(found)
    return Recomputed(told.outcome, f"{held.words}; {told.words}", told.found)


def _matters(difference: Difference, *, same_software: bool) -> bool:
    """Whether it is more than rounding behind the figures, or than another version's wording."""
    if not difference.path.startswith("details."):
        return True
    one, other = difference.computed, difference.stated
    if isinstance(one, int | float) and isinstance(other, int | float):
        return not alike(one, other, tolerance=BEHIND_TOLERANCE, floor=0.0)
    if same_software:
        return True
    if difference.words.endswith(": missing"):
        return LIMITING.search(difference.path) is not None
    return WORDING.fullmatch(difference.path) is None
