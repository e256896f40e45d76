"""A certificate worked out again from its own readings, and every disagreement found."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from calibration.certificates.certificate import CertificateError, document_digest
from calibration.evaluation.evaluation import Evaluation, evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings
from calibration.readings.stated_facts import is_number

__all__ = [
    "TOLERANCE",
    "Difference",
    "alike",
    "check_provable",
    "differences",
    "evaluated_again",
    "issued_again",
    "verify_document",
]

TOLERANCE: Final = 1e-9
"""Relative; machines round differently in the last bits."""
FLOOR: Final = 1e-12
"""Numbers both smaller are rounding noise of exact data, other noise on another machine."""
_OF_POWERS: Final = re.compile(
    r"^curve\.|coefficients|standard_errors|confidence_95|covariance"
)
"""Per count to a power these are small and large forces all the same: no floor holds for them."""
_PLAIN: Final = frozenset((float, str, int, bool, type(None)))
"""Almost every value is one of these and the same to the last bit: no more is asked of it."""
_CURVE: Final = re.compile(r"curve\.(tension|compression)\[(\d)\]")


@dataclass(frozen=True, slots=True)
class Difference:
    """One value of a certificate that is not the one its readings give."""

    path: str
    """Where: ``curve.tension[1]``."""
    computed: object
    """None where nothing is computed, as for what the certificate should not hold."""
    stated: object
    words: str


def verify_document(document: Mapping[str, Any], *, source: str) -> list[str]:
    """Work a force certificate out again from its own readings.

    Returns
    -------
    list of str
        Every disagreement in words, digest first; empty when all agrees.

    Raises
    ------
    CertificateError
        Not a force certificate, or one without readings, which cannot be verified.
    """
    check_provable(document, source=source)
    found = []
    computed = document_digest(document)
    if document.get("digest") != computed:
        found.append(f"digest: stated {document.get('digest')}, computed {computed}")
    try:
        again = issued_again(document, evaluated_again(document))
    except ValueError as error:
        return [*found, f"readings: {error}"]
    return [*found, *(difference.words for difference in differences(again, document))]


def check_provable(document: Mapping[str, Any], *, source: str) -> None:
    """See that there is something in the certificate from which it can be worked out again.

    Raises
    ------
    CertificateError
        Not a force certificate, or one without readings.
    """
    if document.get("kind") != "force":
        msg = f"{source}: a certificate of kind {document.get('kind')!r}, not of a force cell"
        raise CertificateError(msg)
    details = document.get("details")
    if not isinstance(details, Mapping) or not isinstance(details.get("readings"), Mapping):
        msg = f"{source}: holds no readings, so no figure can be worked out again"
        raise CertificateError(msg)


def evaluated_again(document: Mapping[str, Any]) -> Evaluation:
    """The evaluation of the readings in a force certificate, by this edition.

    Raises
    ------
    ValueError
        Its readings or settings carry no evaluation.
    """
    details = document["details"]
    readings = Readings.from_document(details["readings"])
    stated = details.get("settings")
    settings = BenchSettings.from_document(stated if isinstance(stated, Mapping) else {})
    return evaluate(readings, settings)


def issued_again(document: Mapping[str, Any], evaluation: Evaluation) -> dict[str, Any]:
    """The document this edition would issue; raises ``ValueError`` where it would issue none."""
    # Another version than today's may have issued it: the figures are held to account.
    software = str(document.get("software", ""))
    again = issue_certificate(evaluation, today=date(2000, 1, 1), software=software)
    return again.to_document()


def differences(again: Mapping[str, Any], document: Mapping[str, Any]) -> list[Difference]:
    """Where a document is not the one issued again; format, version and digest are not asked."""
    head = ("format", "version", "kind", "digest")
    kept = {key: document[key] for key in head if key in document}
    found = _compare({**kept, **again}, document, "")
    return [difference for difference in found if not _no_force(difference, again)]


def _no_force(difference: Difference, again: Mapping[str, Any]) -> bool:
    """Whether it is a coefficient of the curve that moves no force, up to the end of its range,
    by more than the tolerance: the small terms of a straight cell are rounded the most."""
    where, stated = _CURVE.fullmatch(difference.path), difference.stated
    computed = difference.computed
    if where is None or not (is_number(computed) and is_number(stated)):
        return False
    end_kN = max(abs(limit) for limit in again["range_kN"])
    deflection = end_kN / abs(again["curve"][where[1]][1])
    moved = abs(float(str(computed)) - float(str(stated))) * deflection ** int(where[2])
    return bool(moved <= TOLERANCE * end_kN)


def _compare(computed: object, stated: object, path: str) -> Iterator[Difference]:
    if type(computed) is type(stated) and type(computed) in _PLAIN and computed == stated:
        return
    if isinstance(computed, Mapping) and isinstance(stated, Mapping):
        for key in [*computed, *(k for k in stated if k not in computed)]:
            where = f"{path}.{key}" if path else str(key)
            if key not in stated:
                yield Difference(where, computed[key], None, f"{where}: missing")
            elif key not in computed:
                yield Difference(where, None, stated[key], f"{where}: not expected")
            else:
                yield from _compare(computed[key], stated[key], where)
    elif isinstance(computed, list | tuple) and isinstance(stated, list | tuple):
        if len(computed) != len(stated):
            words = f"{path}: {len(stated)} values stated, {len(computed)} computed"
            yield Difference(path, list(computed), list(stated), words)
            return
        for i, (one, other) in enumerate(zip(computed, stated, strict=True)):
            yield from _compare(one, other, f"{path}[{i}]")
    elif not alike(computed, stated, floor=0.0 if _OF_POWERS.search(path) else FLOOR):
        words = f"{path}: stated {stated!r}, computed {computed!r}"
        yield Difference(path, computed, stated, words)


def alike(
    computed: object, stated: object, *, tolerance: float = TOLERANCE, floor: float = FLOOR
) -> bool:
    """Whether two plain values are the same; numbers within ``tolerance``, relative, or both below
    ``floor``."""
    if isinstance(computed, bool) or isinstance(stated, bool):
        return computed is stated
    if isinstance(computed, int | float) and isinstance(stated, int | float):
        return math.isclose(computed, stated, rel_tol=tolerance, abs_tol=0.0) or (
            abs(computed) < floor and abs(stated) < floor
        )
    return computed == stated
