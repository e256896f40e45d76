"""A certificate worked out again from its own readings, and every disagreement found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from calibration.certificates.certificate import CertificateError, document_digest
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings

__all__ = ["verify_document"]

TOLERANCE: Final = 1e-9
"""Relative; machines round differently in the last bits."""


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
    if document.get("kind") != "force":
        msg = f"{source}: a certificate of kind {document.get('kind')!r}, not of a force cell"
        raise CertificateError(msg)
    found = []
    computed = document_digest(document)
    if document.get("digest") != computed:
        found.append(f"digest: stated {document.get('digest')}, computed {computed}")
    details = document.get("details")
    if not isinstance(details, Mapping) or not isinstance(details.get("readings"), Mapping):
        msg = f"{source}: holds no readings: nothing can be worked out again"
        raise CertificateError(msg)
    try:
        readings = Readings.from_document(details["readings"])
        stated = details.get("settings")
        settings = BenchSettings.from_document(stated if isinstance(stated, Mapping) else {})
        again = issue_certificate(
            evaluate(readings, settings),
            today=date(2000, 1, 1),
            # Another version than today's may have issued it: the figures are held to account.
            software=str(document.get("software", "")),
        )
    except ValueError as error:
        return [*found, f"readings: {error}"]
    head = {
        key: document[key] for key in ("format", "version", "kind", "digest") if key in document
    }
    differences = _compare({**head, **again.to_document()}, document, "")
    return [*found, *differences]


def _compare(computed: object, stated: object, path: str) -> list[str]:
    if isinstance(computed, Mapping) and isinstance(stated, Mapping):
        found = []
        for key in [*computed, *(k for k in stated if k not in computed)]:
            where = f"{path}.{key}" if path else str(key)
            if key not in computed or key not in stated:
                found.append(f"{where}: {'missing' if key not in stated else 'not expected'}")
            else:
                found += _compare(computed[key], stated[key], where)
        return found
    if isinstance(computed, list | tuple) and isinstance(stated, list | tuple):
        if len(computed) != len(stated):
            return [f"{path}: {len(stated)} values stated, {len(computed)} computed"]
        found = []
        for i, (one, other) in enumerate(zip(computed, stated, strict=True)):
            found += _compare(one, other, f"{path}[{i}]")
        return found
    if _alike(computed, stated):
        return []
    return [f"{path}: stated {stated!r}, computed {computed!r}"]


def _alike(computed: object, stated: object) -> bool:
    if isinstance(computed, bool) or isinstance(stated, bool):
        return computed is stated
    if isinstance(computed, int | float) and isinstance(stated, int | float):
        return math.isclose(computed, stated, rel_tol=TOLERANCE, abs_tol=0.0) or (
            # Rounding noise of exact data is different noise on another machine.
            abs(computed) < 1e-12 and abs(stated) < 1e-12
        )
    return computed == stated
