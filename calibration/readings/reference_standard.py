"""The reference standard of a bench calibration, as its own certificate states it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from calibration.certificates.certificate import document_digest
from calibration.readings.stated_facts import fail_fact

__all__ = ["ReferenceStandard"]


@dataclass(frozen=True, kw_only=True)
class ReferenceStandard:
    """Stated facts; None or empty where not stated. Checked on construction.

    What the budget needs of it (expanded uncertainty, its factor, temperature) stands among
    the flat settings.
    """

    serial: str = ""
    certificate: str = ""
    """Number of its certificate."""
    issued_by: str = ""
    """The laboratory that calibrated it."""
    calibrated: date | None = None
    valid_until: date | None = None
    traceability: str = ""
    """To which national realisation, in words."""
    drift_pct: float | None = None
    """Largest change of sensitivity between its calibrations, % of reading."""
    digest: str = ""
    """Of its certificate where that is a file of ours."""
    document: Mapping[str, Any] = field(default_factory=dict)
    """That certificate in full; empty where it is paper."""

    def __post_init__(self) -> None:
        begins, ends = self.calibrated, self.valid_until
        if begins is not None and ends is not None and ends < begins:
            fail_fact("standard.valid_until", ends, f"not before calibrated ({begins})")
        if self.drift_pct is not None and not 0.0 <= self.drift_pct <= 100.0:
            fail_fact("standard.drift_pct", self.drift_pct, "0 to 100 %")
        if self.document:
            self._check_document()

    def _check_document(self) -> None:
        kind, stated = self.document.get("kind"), self.document.get("digest")
        if kind != "force":
            fail_fact("standard.document", kind, "a certificate of kind 'force'")
        try:
            computed = document_digest(self.document)
        except (TypeError, ValueError) as error:
            fail_fact("standard.document", str(error), "plain JSON")
        if stated != computed:
            fail_fact("standard.document", stated, f"a document whose digest is {computed}")
        if self.digest not in ("", computed):
            fail_fact("standard.digest", self.digest, f"that of its document, {computed}")
