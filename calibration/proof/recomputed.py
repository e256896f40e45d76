"""Whether a certificate's figures follow from what was measured, and what that is worth.

The edition of the evaluation stands in a force certificate as ``details.evaluation`` (1 where it
is absent). One of this edition must give curve and uncertainty again to 1e-9; one of an older
edition was worked out by other rules, and its curve must agree within its own stated expanded
uncertainty. That figures follow from readings does not prove that the readings were taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.certificates.certificate import CertificateError, parse_certificate_document
from calibration.certificates.clock import ClockCertificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import SenseCurve
from calibration.certificates.wheel import WheelCertificate
from calibration.evaluation.issue import EDITION, add_months
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

if TYPE_CHECKING:
    from calibration.evaluation.evaluation import Evaluation, SenseEvaluation

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
POINTS: Final = 41
"""Forces at which curves are compared, over the whole certified range."""


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
        check_provable(document, source="it")
    except CertificateError as error:
        return Recomputed(Outcome.NOT_PROVABLE, str(error).removeprefix("it: "))
    assert isinstance(certificate, ForceCertificate)
    return _force(document, certificate, software)


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
    except CertificateError as error:
        return _contradicted([str(error)])
    try:
        evaluation = evaluated_again(document)
        if edition != EDITION:
            return _of_other_edition(document, certificate, evaluation)
        again = issued_again(document, evaluation)
    except (ValueError, ArithmeticError, LookupError) as error:
        # Nobody vouches for what stands in the file: whatever it does to the evaluation is its own.
        if edition == EDITION:
            return _contradicted([str(error)])
        words = f"{_edition_words(edition)}, which makes nothing of its readings ({error})"
        return Recomputed(Outcome.NOT_PROVABLE, words)
    same = document.get("software", "") == software
    found = [d.words for d in differences(again, document) if _matters(d, same_software=same)]
    if found:
        return _contradicted(found)
    return Recomputed(Outcome.FOLLOWS, "its readings give curve and uncertainty again")


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


def _edition_words(edition: int) -> str:
    age = "an older" if edition < EDITION else "a newer"
    return f"it was evaluated by {age} edition ({edition}) than this program's ({EDITION})"


def _of_other_edition(
    document: Mapping[str, Any], certificate: ForceCertificate, evaluation: Evaluation
) -> Recomputed:
    """By other rules: the curve must agree within the certificate's own stated uncertainty."""
    found = [*_unlike_stated(certificate, evaluation)]
    for part in evaluation.senses:
        found += _off_curve(certificate, part)
    if found:
        return _contradicted(found)
    words = (
        f"{_edition_words(edition_of(document))}; its readings give its curve again within its"
        f" stated uncertainty{_uncertainty_now(document, certificate, evaluation)}: have it"
        " issued again"
    )
    return Recomputed(Outcome.OTHER_EDITION, words)


def _uncertainty_now(
    document: Mapping[str, Any], certificate: ForceCertificate, evaluation: Evaluation
) -> str:
    """What this edition says of the uncertainty, at the largest force certified."""
    try:
        now = ForceCertificate.from_document(issued_again(document, evaluation))
    except ValueError as error:
        return f", and this edition would issue none over them ({error})"
    force_kN = max(certificate.range_kN, key=abs)
    stated, again = (float(c.expanded_uncertainty_kN(force_kN)) for c in (certificate, now))
    return f", {stated:.3g} kN at {force_kN:g} kN where this edition gives {again:.3g} kN"


def _unlike_stated(certificate: ForceCertificate, evaluation: Evaluation) -> Iterator[str]:
    """What no edition works out otherwise: identity, dates, range."""
    settings = evaluation.settings
    held = {
        "certificate_id": (certificate.certificate_id, settings.certificate_id),
        "cell": (certificate.cell, settings.cell),
        "serial": (certificate.serial, settings.laboratory.cell_serial.strip()),
        "issued": (certificate.issued, settings.issued),
        "capacity_kN": (certificate.capacity_kN, settings.capacity_kN),
        "supersedes": (certificate.supersedes, settings.supersedes),
    }
    for name, (stated, given) in held.items():
        # An older edition kept no serial beside the settings, and others may be made up.
        if stated and given and not alike(given, stated):
            yield f"{name}: stated {stated!s}, its settings give {given!s}"
    last = add_months(certificate.issued, settings.valid_months)
    if certificate.expires is None or certificate.expires > last:
        yield f"expires: stated {certificate.expires}, its settings give {last}"
    reached = [part.loads.sense * _largest_kN(part) for part in evaluation.senses]
    limits = min(0.0, *reached), max(0.0, *reached)
    for stated, given in zip(certificate.range_kN, limits, strict=True):
        if not alike(given, stated):
            yield f"range_kN: stated {stated!r}, its readings give {given!r}"


def _largest_kN(part: SenseEvaluation) -> float:
    return float(part.loads.largest * part.loads.readings.kN_per_unit)


def _off_curve(certificate: ForceCertificate, part: SenseEvaluation) -> Iterator[str]:
    """Where the stated curve of one sense leaves the one of the readings by more than U."""
    sense, other = part.loads.sense, certificate.compression
    curve = certificate.tension if sense > 0 or other is None else other
    again = SenseCurve(tuple(float(c) for c in part.working.coefficients))
    force_kN = sense * np.linspace(0.0, _largest_kN(part), POINTS)[1:]
    try:
        found_kN = again.force_kN(curve.deflection(force_kN))
    except ValueError as error:
        yield f"curve, {part.name}: {error}"
        return
    off_kN = found_kN - force_kN
    over = np.abs(off_kN) / np.maximum(certificate.expanded_uncertainty_kN(force_kN), 1e-12)
    worst = int(np.argmax(over))
    if not over[worst] <= 1.0:
        yield (
            f"curve, {part.name}: at {force_kN[worst]:g} kN its readings give"
            f" {found_kN[worst]:.6g} kN, beyond the uncertainty it states"
        )
